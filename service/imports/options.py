"""How a file is to be read where it does not say so itself, and what was found out about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

DATE_ORDERS = ("ymd", "dmy", "mdy", "ask")
DECIMAL_MARKS = (".", ",")
LEFT_OUT = "-"  # written for a column of the shop's that is not wanted


@dataclass(frozen=True)
class ReadOptions:
    """What was said about a file, or is on record of its shop's files; None or empty: to be found out.

    `date_order` is ymd (ISO 8601 alone is taken), dmy, mdy, or ask: both are taken, and a day that reads two ways
    becomes a doubt. `columns` and `remembered` map the file's own column names, folded, to those of the job-line
    file (or to `LEFT_OUT`); `fill` gives what stands in empty cells.
    """

    encoding: str | None = None
    delimiter: str | None = None
    sheet: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    remembered: Mapping[str, str] = field(default_factory=dict)
    accept_columns: bool = False
    date_order: str = "ymd"
    decimal_mark: str = "."
    fill: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ColumnUse:
    """One column of the file: its name there, the job-line column it is read as, and who says so.

    `how` is exact, given, shop (confirmed before) or guess; `column` is empty for one that is left out.
    """

    written: str
    column: str
    how: str
    unit: str = ""


@dataclass(frozen=True)
class FileReading:
    """What a file turned out to be."""

    kind: str
    encoding: str
    encoding_by: str  # mark, given, utf-8, or detected
    delimiter: str
    sheet: str
    columns: tuple[ColumnUse, ...]
    date_order: str
    decimal_mark: str
    dates_by_order: int = 0
    dates_that_read_two_ways: int = 0

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)
