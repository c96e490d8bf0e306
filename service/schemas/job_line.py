"""The job-line contract as a schema: one row as a JSON object of texts, named like the file's columns.

The import does not use it: `service.imports.rows` checks a row in a hundredth of the time. It is the contract's
published form, and the second opinion that the fast checks are tested against.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, post_load, pre_load, validate, validates_schema

from service.imports.currencies import CURRENCIES
from service.vocabulary import ACTIONS, HOURS, JOB_LINE_COLUMNS, MACHINE_ACTIONS, QUALITIES, REASONS, SOURCES, UNITS

FIRST_YEAR, LAST_YEAR = 1885, 2100
_SHAPES = {4: "{}-01-01", 7: "{}-01", 10: "{}"}
_DIGITS = set("0123456789")


def _text(most: int, *, least: int = 0) -> fields.String:
    return fields.String(load_default="", validate=validate.Length(min=least, max=most))


def _word(words: tuple[str, ...], *, optional: bool = True) -> fields.String:
    allowed = ("", *words) if optional else words
    return fields.String(load_default="", validate=validate.OneOf(allowed))


def _checked(check: Callable[[str], Any]) -> fields.String:
    def run(text: str) -> None:
        if text:
            check(text)

    return fields.String(load_default="", validate=run)


def _date(text: str) -> None:
    try:
        if not set(text) <= _DIGITS | {"-"}:
            raise ValueError
        year = date.fromisoformat(_SHAPES[len(text)].format(text)).year
    except (KeyError, ValueError):
        raise ValidationError("Write a day as 2019-03-12, a month as 2019-03 or a year as 2019.") from None
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValidationError(f"Write a year from {FIRST_YEAR} to {LAST_YEAR}.")


def _plain_number(text: str, digits: int) -> tuple[str, str]:
    whole, point, decimals = text.partition(".")
    if not whole or not set(whole + decimals) <= _DIGITS or (point and not decimals) or len(whole) > digits:
        raise ValidationError("Write a plain number, zero or more, without separators.")
    return whole, decimals


def _reading(text: str) -> None:
    whole, decimals = _plain_number(text, 7)
    if len(decimals) > 15 or (len(decimals) == 3 and len(whole) <= 3):
        raise ValidationError("Write at most two decimals: three could be thousands.")


def _amount(text: str) -> None:
    whole, decimals = _plain_number(text, 9)
    if len(decimals) > (4 if whole == "0" else 2):
        raise ValidationError("Write at most two decimals.")


def _year(text: str) -> None:
    if len(text) != 4 or not set(text) <= _DIGITS or not FIRST_YEAR <= int(text) <= LAST_YEAR:
        raise ValidationError(f"Write a year from {FIRST_YEAR} to {LAST_YEAR}.")


class JobLineSchema(Schema):
    """One line of a job card."""

    class Meta:
        unknown = RAISE

    card = _text(80)
    date = _checked(_date)
    machine = _text(80, least=1)
    make = _text(80)
    model = _text(80)
    family = _text(80)
    model_year = _checked(_year)
    built = _checked(_date)
    first_registered = _checked(_date)
    odometer = _checked(_reading)
    unit = _word((*UNITS, HOURS))
    component = _text(120)
    position = _text(40)
    action = _word(ACTIONS, optional=False)
    reason = _word(REASONS)
    source = _word(SOURCES)
    quality = _word(QUALITIES)
    labour_hours = _checked(_amount)
    parts_cost = _checked(_amount)
    labour_cost = _checked(_amount)
    currency = fields.String(load_default="", validate=validate.OneOf(("", *sorted(CURRENCIES))))
    notes = _text(4_000)

    @pre_load
    def _strip(self, data: dict[str, Any], **kwargs: Any) -> dict[str, Any]:
        filled = dict.fromkeys(("card", "machine", "action"), "") | data
        for name, value in filled.items():
            allowed = "\t\r\n" if name == "notes" else ""
            if isinstance(value, str) and any(
                unicodedata.category(c) in ("Cc", "Cs") and c not in allowed for c in value
            ):
                raise ValidationError("Write it without control characters.", name)
        return {name: value.strip() if isinstance(value, str) else value for name, value in filled.items()}

    @validates_schema
    def _rules_between_columns(self, row: dict[str, str], **kwargs: Any) -> None:
        if row["action"] in MACHINE_ACTIONS and (row["component"] or row["position"]):
            raise ValidationError("A row about the whole machine names no part.", "component")
        if row["action"] not in MACHINE_ACTIONS and not row["component"]:
            raise ValidationError("Write the part.", "component")
        if row["reason"] not in ("", "unknown") and row["action"] not in ("renewed", "repaired", "checked_bad"):
            raise ValidationError("Leave the reason empty.", "reason")
        if row["odometer"] and not row["unit"]:
            raise ValidationError("Write km or mi.", "unit")
        if row["source"] in ("", "card"):
            for name in ("date", "card"):
                if not row[name]:
                    raise ValidationError(f"Write the {name} of the shop's own work.", name)

    @post_load
    def _typed(self, row: dict[str, str], **kwargs: Any) -> dict[str, Any]:
        typed: dict[str, Any] = {name: row[name] for name in JOB_LINE_COLUMNS}
        for name in ("labour_hours", "parts_cost", "labour_cost"):
            typed[name] = Decimal(row[name]) if row[name] else None
        typed["odometer"] = float(row["odometer"]) if row["odometer"] else None
        typed["model_year"] = int(row["model_year"]) if re.fullmatch(r"\d{4}", row["model_year"]) else None
        typed["source"] = row["source"] or "card"
        typed["quality"] = row["quality"] or "unknown"
        return typed
