"""Odometer readings as hands write them: 23k, 23,4, 23.456, 14,9xx km. Each keeps how far it was rounded.

"23k" says no more than 22,500 to 23,499. A number whose unit is not written has an unknown unit: nothing is converted.
"""

from __future__ import annotations

import re
from typing import NamedTuple

_UNIT = r"(?:\s*\(?(?P<unit>km|kms|mi|mls|miles)\b(?P<asked>\s*\?)?\)?)?"
_THOUSANDS = re.compile(rf"(?<![\w.,/])(?P<whole>\d{{1,3}})(?:[.,](?P<tenth>\d))?\s?k\b(?!m){_UNIT}", re.IGNORECASE)
_BLURRED = re.compile(rf"(?<![\w.,/])(?P<head>\d{{1,3}}[.,]?\d*)(?P<blur>x{{1,3}})\b{_UNIT}", re.IGNORECASE)
_GROUPED = re.compile(rf"(?<![\w.,/])(?P<digits>\d{{1,3}}[.,]\d{{3}})\b(?![.,/]\d){_UNIT}", re.IGNORECASE)
_SHORT = re.compile(r"(?<![\w.,/])(?P<whole>\d{1,3})[.,](?P<tenth>\d)\b(?![.,/]\d)\s*(?P<unit>km|mi)\b", re.IGNORECASE)
_PLAIN = re.compile(rf"(?<![\w.,/\-])(?P<digits>\d{{4,6}})\b(?![.,/\-]\d){_UNIT}", re.IGNORECASE)
_NAMED = re.compile(rf"\bodo(?:meter)?\.?\s*:?\s*(?P<digits>\d{{1,7}})\b{_UNIT}", re.IGNORECASE)
_WAS = re.compile(r"\bwas (?P<whole>\d{1,3})(?:k\b|\b(?![.,\d]))", re.IGNORECASE)
_FILLER = re.compile(r"0+|(\d)\1{4,}|1234|12345|123456")
_UNITS = {"km": "km", "kms": "km", "mi": "mi", "mls": "mi", "miles": "mi"}


class WrittenReading(NamedTuple):
    """A reading as written, the range it can stand for, and its unit (km, mi, or unknown)."""

    as_written: str
    low: int
    high: int
    unit: str
    asked_unit: str | None = None  # written with a question mark
    meanings: tuple[tuple[int, int], ...] = ()
    filler: bool = False

    @property
    def width(self) -> int:
        """How many values the rounding leaves open."""
        return self.high - self.low + 1


def find_readings(text: str) -> list[WrittenReading]:
    """Readings in the order they stand in the text; overlapping ones only once."""
    taken: list[tuple[int, int]] = []
    found: list[tuple[int, WrittenReading]] = []
    for pattern, read in _PATTERNS:
        for match in pattern.finditer(text):
            if all(match.end() <= start or match.start() >= end for start, end in taken):
                taken.append(match.span())
                found.append((match.start(), read(match)))
    return [reading for _, reading in sorted(found, key=lambda pair: pair[0])]


def old_clock(text: str) -> WrittenReading | None:
    """What the old clock showed, in thousands, as in "was 31"."""
    match = _WAS.search(text)
    if match is None:
        return None
    value = int(match["whole"]) * 1000
    small = int(match["whole"])
    meanings = ((value - 500, value + 499), (small, small))
    return WrittenReading(match[0], value - 500, value + 499, "unknown", meanings=meanings)


def without_readings(text: str) -> str:
    """The text with its readings blanked out."""
    for pattern, _ in _PATTERNS:
        text = pattern.sub(" ", text)
    return _WAS.sub(" ", text)


def _unit(match: re.Match[str]) -> tuple[str, str | None]:
    groups = match.groupdict()
    unit = _UNITS.get((groups.get("unit") or "").lower())
    if unit is None:
        return "unknown", None
    return ("unknown", unit) if groups.get("asked") else (unit, None)


def _thousands(match: re.Match[str]) -> WrittenReading:
    half = 50 if match["tenth"] else 500
    value = int(match["whole"]) * 1000 + int(match["tenth"] or 0) * 100
    return WrittenReading(match[0].strip(), value - half, value + half - 1, *_unit(match))


def _blurred(match: re.Match[str]) -> WrittenReading:
    scale = 10 ** len(match["blur"])
    low = int(re.sub(r"\D", "", match["head"])) * scale
    return WrittenReading(match[0].strip(" ()"), low, low + scale - 1, *_unit(match))


def _grouped(match: re.Match[str]) -> WrittenReading:
    """23.456: twenty-three thousand in most hands, twenty-three and a half in some; both are kept."""
    whole, _, rest = match["digits"].replace(",", ".").partition(".")
    value, small = int(whole + rest), int(whole)
    return WrittenReading(match[0].strip(), value, value, *_unit(match), meanings=((value, value), (small, small)))


def _short(match: re.Match[str]) -> WrittenReading:
    """23,4: 23 and four tenths on a trip meter, or 23,400 with the hundreds cut off; both are kept."""
    value, small = int(match["whole"]) * 1000 + int(match["tenth"]) * 100, int(match["whole"])
    return WrittenReading(
        match[0].strip(), value - 50, value + 49, *_unit(match), meanings=((value - 50, value + 49), (small, small))
    )


def _plain(match: re.Match[str]) -> WrittenReading:
    value = int(match["digits"])
    unit, asked = _unit(match)
    return WrittenReading(
        match[0].strip(), value, value, unit, asked, filler=_FILLER.fullmatch(match["digits"]) is not None
    )


_PATTERNS = (
    (_NAMED, _plain),
    (_THOUSANDS, _thousands),
    (_BLURRED, _blurred),
    (_GROUPED, _grouped),
    (_SHORT, _short),
    (_PLAIN, _plain),
)
