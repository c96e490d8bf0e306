"""The form that corrects one line: its cells as they stand, to be written otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Self

from wtforms import StringField, TextAreaField
from wtforms.validators import Length, Optional

from service.corrections import CORRECTABLE
from service.models import JobLine
from service.vocabulary import ACTIONS, HOURS, JOB_LINE_COLUMNS, QUALITIES, REASONS, SOURCES, UNITS
from service.web.forms import PageForm, SelectField, choices
from service.web.log_forms import ACTION_NAMES, QUALITY_NAMES, REASON_NAMES
from service.web.texts import lazy

SOURCE_NAMES = {"card": lazy("this shop's card"), "papers": lazy("papers"), "told": lazy("told")}


def _cell(label: str, most: int = 120) -> StringField:
    return StringField(lazy(label), [Optional(), Length(max=most)])


class CorrectionForm(PageForm):
    """Cells of a line as the job-line file has them."""

    date = _cell("Day", 10)
    odometer = _cell("Odometer", 20)
    unit = SelectField(lazy("Unit"), choices=choices([("", "–"), *((u, u) for u in (*UNITS, HOURS))]),
                       validate_choice=False)  # fmt: skip
    component = _cell("Part")
    position = _cell("Where on the machine", 40)
    action = SelectField(
        lazy("What was done"), choices=choices((a, ACTION_NAMES[a]) for a in ACTIONS), validate_choice=False
    )
    reason = SelectField(
        lazy("Why"), choices=choices([("", "–"), *((r, REASON_NAMES[r]) for r in REASONS)]), validate_choice=False
    )
    source = SelectField(
        lazy("Source"), choices=choices([("", "–"), *((s, SOURCE_NAMES[s]) for s in SOURCES)]), validate_choice=False
    )
    quality = SelectField(
        lazy("The new part is"),
        choices=choices([("", "–"), *((q, QUALITY_NAMES[q]) for q in QUALITIES)]),
        validate_choice=False,
    )
    parts_cost = _cell("Parts", 20)
    labour_cost = _cell("Labour", 20)
    labour_hours = _cell("Hours of labour", 20)
    currency = _cell("Currency", 3)
    notes = TextAreaField(lazy("Notes"), [Optional(), Length(max=4000)])
    why = StringField(lazy("Why it is corrected"), [Optional(), Length(max=400)])

    @classmethod
    def of(cls, line: JobLine) -> Self:
        """The form with a line's cells."""
        cells = dict(zip(JOB_LINE_COLUMNS, line.as_written, strict=True))
        return cls(formdata=None, data={name: cells[name].strip() for name in CORRECTABLE})


def changes_of(form: CorrectionForm, as_written: Sequence[str]) -> dict[str, str]:
    """The cells that were written otherwise."""
    cells = dict(zip(JOB_LINE_COLUMNS, as_written, strict=True))
    said = {name: (form._fields[name].data or "").strip() for name in CORRECTABLE}
    return {name: value for name, value in said.items() if value != cells[name].strip()}
