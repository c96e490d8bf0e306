"""The form of a job card, and the lines it asks to be written down."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from wtforms import FieldList, Form, FormField, HiddenField, StringField, TextAreaField
from wtforms.validators import InputRequired, Length, Optional

from service.imports.rows import NOTES_LIMIT, TEXT_LIMITS
from service.vocabulary import HOURS, UNITS
from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.texts import lazy

MOST_LINES = 30
ACTION_NAMES = {
    "renewed": lazy("renewed"),
    "repaired": lazy("repaired"),
    "checked_good": lazy("checked, good"),
    "checked_bad": lazy("checked, bad"),
    "original": lazy("still the factory's"),
    "seen": lazy("seen, nothing done"),
    "clock_changed": lazy("clock changed"),
    "gone": lazy("gone"),
}
REASON_NAMES = {
    "failed": lazy("it failed"),
    "found_failed": lazy("found failed"),
    "worn_to_limit": lazy("worn to its limit"),
    "scheduled": lazy("it was due"),
    "while_apart": lazy("while it was apart"),
    "damage": lazy("damage: a fall, a stone"),
    "secondary": lazy("another part's failure"),
    "upgrade": lazy("for a better one"),
    "campaign": lazy("the maker called it in"),
    "misdiagnosis": lazy("wrong diagnosis: it was good"),
    "owner_wish": lazy("the owner wanted it"),
    "unknown": lazy("nobody knows"),
}
QUALITY_NAMES = {
    "original": lazy("the maker's"),
    "pattern": lazy("another maker's"),
    "used": lazy("second-hand"),
    "unknown": lazy("not known"),
}
WORK = ("renewed", "repaired", "checked_good", "checked_bad")
# Fields of a line of the form by the cell they become.
CELLS = {"component": "words", "position": "position", "action": "action", "reason": "reason", "quality": "quality",
         "labour_hours": "labour_hours", "parts_cost": "parts_cost", "labour_cost": "labour_cost",
         "notes": "notes"}  # fmt: skip
OF_THE_CARD = ("card", "date", "machine", "make", "model", "built", "odometer", "unit", "currency")


def _named(names: Mapping[str, Any], *wanted: str, empty: str | None = None) -> list[Any]:
    listed = [(key, names[key]) for key in wanted or names]
    return choices(listed if empty is None else [("", empty), *listed])


class WorkLine(Form):
    """One line: what was done to which part, in the shop's own words."""

    words = StringField(lazy("Part, in your own words"), [Optional(), Length(max=TEXT_LIMITS["component"])])
    # What a person said the words mean, where they can mean several parts; offered beside the words.
    part = StringField(lazy("What was meant"), [Optional(), Length(max=60)])
    position = StringField(lazy("Where on the machine"), [Optional(), Length(max=TEXT_LIMITS["position"])])
    action = SelectField(lazy("What was done"), choices=_named(ACTION_NAMES, *WORK), validate_choice=False)
    reason = SelectField(lazy("Why"), choices=_named(REASON_NAMES, empty="–"), validate_choice=False)
    quality = SelectField(lazy("The new part is"), choices=_named(QUALITY_NAMES, empty="–"), validate_choice=False)
    parts_cost = NumberField(lazy("Parts"), [Optional()])
    labour_cost = NumberField(lazy("Labour"), [Optional()])
    labour_hours = NumberField(lazy("Hours of labour"), [Optional()])
    notes = TextAreaField(lazy("Notes"), [Optional(), Length(max=NOTES_LIMIT)])


class CardForm(PageForm):
    """A job card."""

    machine = StringField(
        lazy("Machine"), [InputRequired(lazy("Write the machine's reference or frame number.")), Length(max=80)]
    )
    make = StringField(lazy("Make"), [Optional(), Length(max=80)])
    model = StringField(lazy("Model"), [Optional(), Length(max=80)])
    built = StringField(lazy("Built"), [Optional(), Length(max=10)])
    card = StringField(lazy("Card number"), [InputRequired(lazy("Write the number of the card.")), Length(max=80)])
    date = StringField(lazy("Day"), [InputRequired(lazy("Write the day of the work.")), Length(max=10)])
    odometer = NumberField(lazy("Odometer"), [Optional()])
    unit = SelectField(
        lazy("Unit"), choices=choices([*((u, u) for u in UNITS), (HOURS, lazy("engine hours"))]), validate_choice=False
    )
    currency = StringField(lazy("Currency"), [Optional(), Length(max=3)])
    lines = FieldList(FormField(WorkLine), lazy("Lines"), min_entries=1, max_entries=MOST_LINES)
    # The doubts that were shown before: who sends the form again has seen them.
    seen = HiddenField(validators=[Optional(), Length(max=64)])


def filled_lines(form: CardForm) -> list[int]:
    """Numbers of the form's lines that something was written into."""
    told = ("words", "position", "notes", "parts_cost", "labour_cost", "labour_hours", "reason")
    return [
        number
        for number, line in enumerate(form.lines)
        if any(line.form._fields[name].data not in (None, "") for name in told)
    ]


def lines_asked(form: CardForm) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Cells of every line, and where in the form a refusal of each of them is shown.

    A card on which no line was filled in says that the machine was seen, with its reading.
    """
    whole = {name: _cell(form._fields[name].data) for name in OF_THE_CARD}
    if not whole["odometer"]:
        whole["unit"] = ""
    numbers = filled_lines(form)
    rows = [_row(form.lines[number].form, whole) for number in numbers]
    places = {f"lines.{row}.{name}": name for row in range(len(rows) or 1) for name in OF_THE_CARD}
    for row, number in enumerate(numbers):
        places |= {f"lines.{row}.{cell}": f"lines.{number}.{field}" for cell, field in CELLS.items()}
    seen = {**whole, "action": "seen", "currency": ""}
    return rows or [seen], places


def _row(line: Any, whole: Mapping[str, str]) -> dict[str, str]:
    cells = {**whole, **{cell: _cell(line._fields[field].data) for cell, field in CELLS.items()}}
    if not (cells["parts_cost"] or cells["labour_cost"]):
        cells["currency"] = ""
    return cells


def _cell(value: Any) -> str:
    return f"{value:f}" if isinstance(value, Decimal) else (value or "").strip()
