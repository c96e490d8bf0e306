"""A frame number or VIN as written, normalised, and what its check says. A warning at most: nothing is rejected.

ISO 3779: seventeen characters without I, O and Q. The check digit in the ninth place is a rule of 49 CFR 565.15 and
mandatory only where that rule holds; weights and letter values are from there.
"""

from __future__ import annotations

import re
from typing import NamedTuple

LENGTH = 17
_FORBIDDEN = frozenset("IOQ")
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    **dict(zip("PR", (7, 9), strict=True)),
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_DOMESTIC = re.compile(r"[A-Z]{1,4}\d{0,3}[A-Z]?-\d{5,8}")


class FrameNumber(NamedTuple):
    """`check`: ok, fails (check digit), letters (I, O or Q in it), partial, or not_applicable."""

    as_written: str
    normalised: str
    check: str


def read_frame_number(text: str) -> FrameNumber:
    """What can be said of a reference as a frame number."""
    plain = text.strip().upper()
    if _DOMESTIC.fullmatch(plain):
        return FrameNumber(text, plain, "not_applicable")
    number = re.sub(r"[\s\-.]", "", plain)
    if len(number) != LENGTH or not number.isascii() or not number.isalnum():
        tail = 6 <= len(number) <= 8 and number.isalnum() and any(c.isdigit() for c in number)
        return FrameNumber(text, number, "partial" if tail else "not_applicable")
    if _FORBIDDEN & set(number):
        return FrameNumber(text, number, "letters")
    return FrameNumber(text, number, "ok" if check_digit(number) == number[8] else "fails")


def check_digit(number: str) -> str:
    """The ninth character by 49 CFR 565.15: the weighted sum modulo 11, X for 10."""
    rest = sum(_VALUES[char] * weight for char, weight in zip(number, _WEIGHTS, strict=True)) % 11
    return "X" if rest == 10 else str(rest)
