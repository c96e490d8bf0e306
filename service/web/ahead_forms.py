"""Forms that ask about a fleet's future. Sent by GET: an answer can be kept and shared."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from flask import request
from wtforms import Field, StringField
from wtforms.validators import InputRequired, Length, Optional

from service.vocabulary import KM_PER_MILE
from service.web.current import current
from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.names import catalogue_now
from service.web.own_words import catalogue_label
from service.web.texts import lazy

CLOCKS = (("km", lazy("distance")), ("days", lazy("days")))


class DistanceField(NumberField):
    """A distance in the shop's unit; asked on in km."""


def _in_km(field: Field) -> Any:
    miles = isinstance(field, DistanceField) and current.unit == "mi"
    return field.data * Decimal(str(KM_PER_MILE)) if miles else field.data


class AskForm(PageForm):
    """Base: filled from the address."""

    about_fleet = False  # whether it asks about the shop's own machines, of which there may be none

    @classmethod
    def from_address(cls) -> AskForm:
        """The form as the address has it."""
        return cls(request.args if request.args else None, meta={"csrf": False})

    def body(self) -> dict[str, Any]:
        """The numbers and texts that were given, by the names of the API's query."""
        given = {name: _in_km(field) for name, field in self._fields.items() if field.data not in (None, "")}
        return {name: str(value) for name, value in given.items()}


class FleetForm(AskForm):
    """About the machines in use."""

    about_fleet = True


class OutlookForm(FleetForm):
    months = NumberField(lazy("Months ahead"), [Optional()])


class PullForm(FleetForm):
    hours = NumberField(lazy("Hours in the workshop"), [Optional()])
    days_ahead = NumberField(lazy("Days until it could come in again"), [Optional()])
    hours_to_bring_in = NumberField(lazy("Hours to bring a machine in"), [Optional()])
    downtime_per_day = NumberField(lazy("What a day off the road costs"), [Optional()])
    failure_downtime_days = NumberField(lazy("Days off the road after a failure"), [Optional()])


class DueForm(FleetForm):
    days = NumberField(lazy("Days ahead"), [Optional()])


class PartForm(AskForm):
    """About one component."""

    component = SelectField(lazy("Part"), validate_choice=False)

    def offer(self) -> None:
        """Fill the list of parts."""
        parts = sorted(
            ((c.slug, catalogue_label(c.name)) for c in catalogue_now().components), key=lambda part: part[1]
        )
        self.component.choices = choices([("", "–"), *parts])


class SparesForm(PartForm):
    lead_time_days = NumberField(lazy("Days until a part comes"), [Optional()])
    cover = NumberField(lazy("How sure the shelf must be"), [Optional()])
    interval_km = DistanceField(lazy("Renewed on purpose every"), [Optional()])


class RenewalForm(PartForm):
    make = StringField(lazy("Make"), [InputRequired(lazy("Write the make.")), Length(max=80)])
    model = StringField(lazy("Model"), [InputRequired(lazy("Write the model.")), Length(max=80)])
    clock = SelectField(lazy("Interval in"), choices=choices(CLOCKS), validate_choice=False)
    km_per_year = DistanceField(lazy("Distance a year"), [Optional()])
    planned = NumberField(lazy("Cost of a planned renewal"), [InputRequired(lazy("Write an amount."))])
    failure = NumberField(lazy("Cost of a failure"), [InputRequired(lazy("Write an amount."))])
    while_apart = NumberField(lazy("Cost while it is apart anyway"), [Optional()])


def fields_of(form: PageForm) -> Mapping[str, str]:
    """Refusals of the API's query go to the field of the same name."""
    return {name: name for name in form._fields}
