"""The form that describes a machine nobody has a card of, and the request it makes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from wtforms import (
    BooleanField,
    FieldList,
    Form,
    FormField,
    IntegerField,
    SelectMultipleField,
    StringField,
)
from wtforms.validators import InputRequired, Length, Optional
from wtforms.widgets import CheckboxInput, ListWidget

from service.catalogue_types import Catalogue
from service.models import MachineMake, MachineModel
from service.web.current import current
from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.names import PERMISSIONS
from service.web.own_words import catalogue_label
from service.web.texts import lazy

KITS = (
    ("pocket", lazy("pocket: torch, meter, gauge")),
    ("home", lazy("home: hand tools, stand")),
    ("shop", lazy("workshop")),
    ("bench", lazy("workshop with bench gear")),
)
UNITS = (("km", "km"), ("mi", "mi"))
PART_ACTIONS = (
    ("renewed", lazy("renewed")),
    ("original", lazy("still the factory's")),
    ("repaired", lazy("repaired")),
    ("checked_good", lazy("checked, good")),
    ("checked_bad", lazy("checked, bad")),
)
# Where a refusal of the request is shown.
FIELDS = {
    "machine.make": "make",
    "machine.model": "model",
    "machine.model_year": "model_year",
    "machine.built": "built",
    "machine.odometer": "odometer",
    "horizon.distance": "season_distance",
    "usage": "season_distance",
    "minutes": "minutes",
    "kit": "kit",
    "permission": "permission",
    "history": "history",
    "symptoms": "symptoms",
    "facts": "facts",
}


class TicksField(SelectMultipleField):
    """Several of a list, each with a box."""

    widget = ListWidget(prefix_label=False)
    option_widget = CheckboxInput()


class KnownPart(Form):
    """What is known of one part."""

    component = SelectField(lazy("Part"), validators=[Optional()], validate_choice=False)
    action = SelectField(lazy("What is known"), choices=choices(PART_ACTIONS), validate_choice=False)
    date = StringField(lazy("When"), [Optional(), Length(max=10)])
    odometer = NumberField(lazy("Odometer then"), [Optional()])


class LookForm(PageForm):
    """A machine, what is known and seen of it, and what this person has. Sent by GET: a look can be kept and shared."""

    make = StringField(lazy("Make"), [InputRequired(lazy("Write the make.")), Length(max=80)])
    model = StringField(lazy("Model"), [InputRequired(lazy("Write the model.")), Length(max=80)])
    odometer = NumberField(lazy("Odometer"), [Optional()])
    unit = SelectField(lazy("Unit"), choices=choices(UNITS), validate_choice=False)
    built = StringField(lazy("Built"), [Optional(), Length(max=10)])
    model_year = IntegerField(lazy("Model year"), [Optional()])
    season_distance = NumberField(lazy("Distance you will ride in a year"), [Optional()])
    minutes = NumberField(lazy("Minutes you have"), [Optional()])
    kit = SelectField(lazy("Tools at hand"), choices=choices(KITS), validate_choice=False)
    permission = SelectField(lazy("What you may do"), choices=choices(PERMISSIONS), validate_choice=False)
    engine_warm = BooleanField(lazy("The engine is warm already"))
    does_not_run = BooleanField(lazy("The engine does not run"))
    symptoms = TicksField(lazy("What it does wrong"), validate_choice=False)
    facts = TicksField(lazy("What the papers, the seller or the machine tell"), validate_choice=False)
    history = FieldList(FormField(KnownPart), lazy("Parts you know about"), min_entries=2, max_entries=40)

    def offer(self, catalogue: Catalogue) -> None:
        """Fill the lists to choose from."""
        self.symptoms.choices = choices((s.id, catalogue_label(s.title)) for s in catalogue.symptoms)
        self.facts.choices = choices((f.id, catalogue_label(f.title)) for f in catalogue.history_facts)
        parts = [
            ("", "–"),
            *sorted(((c.slug, catalogue_label(c.name)) for c in catalogue.components), key=lambda c: c[1]),
        ]
        for row in self.history:
            row.component.choices = choices(parts)

    def begin(self) -> None:
        """What stands in the fields before anything was written."""
        self.unit.data, self.kit.data, self.permission.data = current.unit, "pocket", "look_only"
        self.minutes.data = Decimal(30)


def request_of(form: LookForm) -> dict[str, Any]:
    """The body of a plan's request, as `PlanAsked` reads it."""
    unit = form.unit.data or current.unit
    distance = None if form.odometer.data is None else {"value": float(form.odometer.data), "unit": unit}
    body: dict[str, Any] = {
        "machine": {
            "make": form.make.data,
            "model": form.model.data,
            "model_year": form.model_year.data,
            "built": form.built.data or None,
            "odometer": distance,
        },
        "minutes": 30.0 if form.minutes.data is None else float(form.minutes.data),
        "kit": form.kit.data or "pocket",
        "permission": form.permission.data or "look_only",
        "engine_cold": not form.engine_warm.data,
        "symptoms": [{"id": key} for key in form.symptoms.data or ()],
        "facts": [{"id": key} for key in form.facts.data or ()],
        "history": [item for row in form.history.data if (item := _known(row, unit))],
    }
    if form.season_distance.data is not None:
        season = {"value": float(form.season_distance.data), "unit": unit}
        body |= {"horizon": {"distance": season, "months": 12.0}, "usage": season}
    return body


def _known(row: Mapping[str, Any], unit: str) -> dict[str, Any] | None:
    if not row["component"]:
        return None
    odometer = row["odometer"]
    return {
        "component": row["component"],
        "action": row["action"] or "renewed",
        "date": row["date"] or None,
        "odometer": None if odometer is None else {"value": float(odometer), "unit": unit},
    }


def inspection_request(form: LookForm, people: Iterable[str]) -> dict[str, Any]:
    """The body that starts an inspection of the same machine, as `InspectionAsked` reads it."""
    body = request_of(form)
    body.pop("horizon", None)
    return {**body, "engine_runs": not form.does_not_run.data, "people": list(people)}


def known_models(session: Session) -> tuple[list[str], list[str]]:
    """Names of makes and models on record, to help writing them."""
    makes = session.scalars(select(MachineMake.name).order_by(MachineMake.name).limit(300))
    models = session.scalars(select(MachineModel.name).distinct().order_by(MachineModel.name).limit(500))
    return list(makes), list(models)
