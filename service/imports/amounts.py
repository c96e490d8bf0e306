"""Numbers as cells give them: odometer readings, hours, money, model years. No thousands separators, no guesses."""

from __future__ import annotations

import re
from decimal import Decimal

from service.imports.dates import FIRST_YEAR, LAST_YEAR
from service.imports.faults import Fault

# Three digits after the point of a short number are refused: 23.456 is 23,456 to half the world.
_READING = re.compile(r"\d{1,7}(?:\.(?:\d{1,2}|\d{4,15}))?|\d{4,7}\.\d{3}", re.ASCII)
_AMOUNT = re.compile(r"\d{1,9}(?:\.\d{1,2})?|0\.\d{1,4}", re.ASCII)
_YEAR = re.compile(r"\d{4}", re.ASCII)
_GROUPED = re.compile(r"\d{1,3}(?:[,.' \u00a0\u202f\u2019]\d{3})+", re.ASCII)
_GROUPED_CENTS = re.compile(r"\d{1,3}(?:,\d{3})+\.\d{1,2}", re.ASCII)
_DECIMAL_COMMA = re.compile(r"(\d+),(\d{1,2})", re.ASCII)
_THOUSANDS = re.compile(r"(\d{1,3})(?:[.,](\d))? ?[kK]", re.ASCII)
_INSIDE = re.compile(r"\d+(?:[.,' \u00a0\u202f]\d+)*", re.ASCII)
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?", re.ASCII)


def read_odometer(text: str) -> float:
    """A reading of the clock, from 0 to below 10,000,000, in the row's own unit."""
    if _READING.fullmatch(text) is None:
        raise _fault(text, "an odometer reading", "23000")
    return float(text)


def read_amount(text: str) -> Decimal:
    """Hours or money: zero or more, exact."""
    if _AMOUNT.fullmatch(text) is None:
        raise _fault(text, "an amount", "120.50")
    return Decimal(text)


def read_model_year(text: str) -> int:
    if _YEAR.fullmatch(text) is None or not FIRST_YEAR <= int(text) <= LAST_YEAR:
        raise Fault(f"not a year from {FIRST_YEAR} to {LAST_YEAR}", "four digits, as in 2012, or leave it empty")
    return int(text)


def _fault(text: str, what: str, example: str) -> Fault:
    grouped = _GROUPED.fullmatch(text) or _GROUPED_CENTS.fullmatch(text)
    if grouped:
        return Fault("the thousands separator could be a decimal point", _digits(text))
    if match := _THOUSANDS.fullmatch(text):
        whole = int(match[1]) * 1000 + int(match[2] or 0) * 100
        return Fault('"k" for thousands hides how exact the number is', f"{whole}")
    if match := _DECIMAL_COMMA.fullmatch(text):
        return Fault("the decimal sign is a point", f"{match[1]}.{match[2]}")
    if _PLAIN_NUMBER.fullmatch(text):
        return _number_fault(text, what, example)
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return Fault("not a finite number", f"a number such as {example}, or leave it empty")
    if match := _INSIDE.search(text):
        return Fault("there is more than a number in the cell", f"the number alone, as in {_digits(match[0])}")
    return Fault(f"{what} is a number", f"a number such as {example}, or leave it empty if it is not known")


def _number_fault(text: str, what: str, example: str) -> Fault:
    if text.startswith("-"):
        return Fault(f"{what} cannot be negative", f"a number such as {example}, or leave it empty if it is not known")
    if text.startswith("+"):
        return Fault("a sign is not needed", text[1:])
    if "e" in text.lower():
        return Fault("powers of ten are not read", f"all digits, as in {example}")
    if "." in text and len(text.partition(".")[0]) <= 7:
        return Fault("so many decimals could be a thousands separator", f"at most two decimals, as in {example}")
    return Fault("the number is too large", f"a number such as {example}, without extra digits")


def _digits(text: str) -> str:
    whole, point, cents = text.rpartition(".")
    if point and "," in whole and len(cents) < 3:
        return re.sub(r"\D", "", whole) + "." + cents
    return re.sub(r"\D", "", text)
