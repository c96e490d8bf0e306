"""What is wrong with a cell, said so that a person can mend it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

SHOWN_CHARACTERS = 60


class Fault(ValueError):
    """A cell cannot be used: why, and what to write instead."""

    def __init__(self, reason: str, instead: str) -> None:
        super().__init__(reason)
        self.reason = reason
        self.instead = instead


@dataclass(frozen=True)
class RowProblem:
    """One cell of one row that cannot be used; `line` is the line of the file on which the row begins."""

    line: int
    column: str
    value: str
    reason: str
    instead: str

    def __str__(self) -> str:
        return f'line {self.line}, {self.column} "{self.value}": {self.reason}; write {self.instead}'

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def shorten(value: str) -> str:
    """A value fit to print: at most 60 characters, control characters and lone surrogates made visible."""
    cut = value if len(value) <= SHOWN_CHARACTERS else value[: SHOWN_CHARACTERS - 1] + "…"
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in cut)
