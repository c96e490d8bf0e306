"""Sentences that remember what they are made of, so that pages say them in the reader's language and unit.

A `Said` is an ordinary text, in English and kilometres: whoever stores, sends or prints it need not know. Pages look at
its template and values (`service.web.own_words`); what was stored as plain text is known again where it has no values.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Any

NOTHING: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True)
class Distance:
    """A distance in km."""

    km: float

    def __str__(self) -> str:
        return f"{self.km:,.0f} km"


@dataclass(frozen=True)
class Number:
    """A number with so many digits after the point."""

    value: float
    digits: int = 0

    def __str__(self) -> str:
        return f"{self.value:,.{self.digits}f}"


@dataclass(frozen=True)
class Share:
    """A share of 1, said in whole per cent."""

    value: float

    def __str__(self) -> str:
        return f"{100 * self.value:.0f} %"


@dataclass(frozen=True)
class Money:
    """An amount, in whole units of its currency."""

    amount: Decimal
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:.0f} {self.currency}"


@dataclass(frozen=True)
class Day:
    """A day."""

    day: date

    def __str__(self) -> str:
        return self.day.isoformat()


@dataclass(frozen=True)
class Part:
    """A component, by its slug; `text` is what English has for it."""

    slug: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Place:
    """A position on a machine."""

    name: str

    def __str__(self) -> str:
        return self.name.replace("_", " ")


class Said(str):
    """A text with the template and the values it was made of."""

    template: str
    values: Mapping[str, Any]

    def __new__(cls, text: str, template: str = "", values: Mapping[str, Any] = NOTHING) -> Said:
        made = super().__new__(cls, text)
        made.template, made.values = template or text, dict(values)
        return made


def say(template: str, **values: Any) -> Said:
    """A sentence; `values` are put in by name, as in ``say("%(many)s are left.", many=Number(3))``."""
    return Said(template % values if values else template, template, values)


def joined(*sentences: str, by: str = " ") -> Said:
    """Several sentences after one another; empty ones are left out."""
    kept = [sentence for sentence in sentences if sentence]
    names = {f"s{number}": sentence for number, sentence in enumerate(kept)}
    return Said(by.join(kept), by.join(f"%({name})s" for name in names), names)


def known_again(like: Said) -> Callable[[str], Said | None]:
    """Finds from plain text what was said like a sentence whose values are days; None for any other text."""
    pattern = re.escape(like.template)
    for name in like.values:
        pattern = pattern.replace(re.escape(f"%({name})s"), rf"(?P<{name}>\d{{4}}-\d\d-\d\d)")
    whole = re.compile(pattern)

    def find(text: str) -> Said | None:
        found = whole.fullmatch(text)
        try:
            days = {name: Day(date.fromisoformat(day)) for name, day in found.groupdict().items()} if found else {}
        except ValueError:  # no day of any calendar: somebody else's words
            return None
        return say(like.template, **days) if days else None

    return find
