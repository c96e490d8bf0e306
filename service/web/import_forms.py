"""Forms of an import: the file, how it is read, what each of its columns is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from wtforms import BooleanField, FieldList, FileField, Form, FormField, HiddenField, StringField
from wtforms.validators import InputRequired, Length, Optional

from service.imports.options import LEFT_OUT, ColumnUse
from service.vocabulary import HOURS, JOB_LINE_COLUMNS, UNITS
from service.web.forms import PageForm, SelectField, choices
from service.web.texts import lazy

AS_FOUND = ("", lazy("as the shop's files are"))
COLUMN_NAMES = {
    "card": lazy("card number"),
    "date": lazy("day"),
    "machine": lazy("machine"),
    "make": lazy("make"),
    "model": lazy("model"),
    "family": lazy("family"),
    "model_year": lazy("model year"),
    "built": lazy("built"),
    "first_registered": lazy("first registered"),
    "odometer": lazy("odometer"),
    "unit": lazy("unit"),
    "component": lazy("part"),
    "position": lazy("position"),
    "action": lazy("what was done"),
    "reason": lazy("why"),
    "source": lazy("source"),
    "quality": lazy("quality of the part"),
    "labour_hours": lazy("labour hours"),
    "parts_cost": lazy("cost of parts"),
    "labour_cost": lazy("cost of labour"),
    "currency": lazy("currency"),
    "notes": lazy("notes"),
}
SAID = ("encoding", "delimiter", "sheet", "date_order", "decimal_mark", "unit", "currency")


class FileForm(PageForm):
    """A file of job lines."""

    file = FileField(lazy("File"), [InputRequired()])


class ColumnRow(Form):
    """One column of the file, and what it is read as."""

    written = HiddenField(validators=[Length(max=200)])
    column = SelectField(lazy("is read as"), validate_choice=False)


class ReadingForm(PageForm):
    """How a file is read."""

    columns = FieldList(FormField(ColumnRow), max_entries=200)
    date_order = SelectField(
        lazy("Dates are written"),
        choices=choices([
            AS_FOUND,
            ("ymd", lazy("year first: 2019-03-12")),
            ("dmy", lazy("day first: 12/3/19")),
            ("mdy", lazy("month first: 3/12/19")),
            ("ask", lazy("either way: ask where it matters")),
        ]),
        validate_choice=False,
    )  # fmt: skip
    decimal_mark = SelectField(
        lazy("Decimals stand behind"),
        choices=choices([AS_FOUND, (".", lazy("a point: 12.50")), (",", lazy("a comma: 12,50"))]),
        validate_choice=False,
    )
    unit = SelectField(
        lazy("Odometers without a unit are in"),
        choices=choices([AS_FOUND, *((unit, unit) for unit in UNITS), (HOURS, lazy("engine hours"))]),
        validate_choice=False,
    )
    currency = StringField(lazy("Costs without a currency are in"), [Optional(), Length(max=3)])
    delimiter = SelectField(
        lazy("Columns are parted by"),
        choices=choices([
            ("", lazy("what the file shows")),
            ("comma", lazy("comma")),
            ("semicolon", lazy("semicolon")),
            ("tab", lazy("tab")),
            ("bar", lazy("bar |")),
        ]),
        validate_choice=False,
    )  # fmt: skip
    encoding = StringField(lazy("Encoding"), [Optional(), Length(max=20)])
    sheet = StringField(lazy("Sheet of the workbook"), [Optional(), Length(max=31)])
    keep_good = BooleanField(lazy("Take the good rows in even if others cannot be used"))

    def offer(self, uses: Sequence[ColumnUse]) -> None:
        """A row for every column of the file, set to what it was taken for."""
        while len(self.columns):
            self.columns.pop_entry()
        for use in uses:
            read_as = use.column or (LEFT_OUT if use.how else "")
            self.columns.append_entry({"written": use.written, "column": read_as})
        for row in self.columns:
            row.form.column.choices = choices([("", lazy("– say what it is –")), (LEFT_OUT, lazy("leave it out")),
                                               *((name, COLUMN_NAMES[name]) for name in JOB_LINE_COLUMNS)])  # fmt: skip


def wishes_of(form: ReadingForm) -> dict[str, Any]:
    """What the form says about the file, as an import's request has it; empty where nothing was said."""
    said: dict[str, Any] = {name: (form._fields[name].data or "").strip() or None for name in SAID}
    said["currency"] = said["currency"].upper() if said["currency"] else None
    named = {row.form.written.data: row.form.column.data for row in form.columns}
    said["columns"] = {written: column for written, column in named.items() if written and column}
    return {name: value for name, value in said.items() if value}
