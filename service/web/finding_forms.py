"""Forms of an inspection: what a check found, was it the part, what is asked for the machine."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wtforms import BooleanField, FieldList, RadioField, StringField, TextAreaField
from wtforms.validators import Length, Optional

from service.errors import InvalidInput
from service.inspections.limits_on_file import judging_of
from service.inspections.standing import Standing
from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.look_forms import TicksField
from service.web.names import part_name, place_name
from service.web.own_words import English, catalogue_label
from service.web.texts import _, lazy

BY_READING = ""
OUTCOMES = (
    (BY_READING, lazy("let the reading decide")),
    ("pass", lazy("good")),
    ("marginal", lazy("in between")),
    ("fail", lazy("bad")),
    ("inconclusive", lazy("cannot tell")),
)
YES_NO = (("yes", lazy("yes")), ("no", lazy("no")))
ENGINE_STATES = (("", "–"), ("cold", lazy("cold")), ("hot", lazy("hot")))
FINDING_FIELDS = {
    "readings": "values",
    "readings.0.unit": "unit",
    "readings.0.quantity": "quantity",
    "outcome": "outcome",
    "component": "part",
    "position": "part",
    "engine_state": "engine_state",
    "conditions.rpm": "rpm",
    "conditions.ambient_celsius": "ambient_celsius",
    "minutes_spent": "minutes_spent",
    "note": "note",
}


class FindingForm(PageForm):
    """What a check found: a reading, or what eye and hand say."""

    part = SelectField(lazy("Which part"), validate_choice=False)
    quantity = SelectField(lazy("What was read"), validate_choice=False)
    values = FieldList(NumberField(lazy("Reading"), [Optional()]), lazy("Reading"), min_entries=6, max_entries=24)
    unit = StringField(lazy("Unit"), [Optional(), Length(max=24)])
    over_range = BooleanField(lazy("The display said over-range"))
    outcome = RadioField(lazy("Verdict"), choices=choices(OUTCOMES), default=BY_READING, validate_choice=False)
    engine_state = SelectField(lazy("Engine"), choices=choices(ENGINE_STATES), validate_choice=False)
    unmet = TicksField(lazy("Tick what was not so when it was read"), validate_choice=False)
    rpm = NumberField(lazy("Engine speed"), [Optional()])
    ambient_celsius = NumberField(lazy("Air"), [Optional()])
    minutes_spent = NumberField(lazy("Minutes it took"), [Optional()])
    note = TextAreaField(lazy("Note"), [Optional(), Length(max=3000)])

    def offer(self, line: Mapping[str, Any], standing: Standing) -> None:
        """Fill the lists for one check on this machine."""
        slugs = dict.fromkeys(t["component"] for t in line["targets"] if t["component"] in standing.places.components())
        parts = [("", _("the check as a whole"))]
        for slug in slugs:
            parts.append((slug, catalogue_label(part_name(slug))))
            parts += [
                (f"{slug}|{p}", catalogue_label(part_name(slug), place_name(p)))
                for p in standing.places.positions(slug) or ()
            ]
        self.part.choices = choices(parts)
        self.quantity.choices = choices((q, English(q)) for q in line["quantities"])
        self.unmet.choices = choices((text[:200], English(text)) for text in line["before"])
        if not line["quantities"]:
            self.outcome.choices = choices(OUTCOMES[1:])
            self.outcome.data = self.outcome.data or None
        self.hot_or_cold = any(target["engine_state"] for target in line["targets"])
        self._standing = standing
        only = line["quantities"][0] if len(line["quantities"]) == 1 else None
        self.usual_unit = self._unit_of(line["id"], only) if only else ""

    def default_unit(self, check: str) -> str:
        """The unit the chosen quantity is judged in."""
        return self._unit_of(check, self.quantity.data or None)

    def _unit_of(self, check: str, quantity: str | None) -> str:
        component = (self.part.data or "").partition("|")[0] or None
        region = self._standing.row.circumstances["region"]
        try:
            return judging_of(check, component, quantity, region, self._standing.places.catalogue, "").unit
        except InvalidInput:  # no limit where this machine is: an outcome can still be given
            return ""


def finding_request(form: FindingForm, line: Mapping[str, Any]) -> dict[str, Any]:
    """The body of a finding, as `FindingAsked` reads it."""
    component, _bar, position = (form.part.data or "").partition("|")
    body: dict[str, Any] = {
        "check": line["id"],
        "component": component or None,
        "position": position or None,
        "outcome": form.outcome.data or None,
        "engine_state": form.engine_state.data or None,
        "prerequisites_unmet": form.unmet.data or [],
        "note": form.note.data or "",
        "minutes_spent": None if form.minutes_spent.data is None else float(form.minutes_spent.data),
        "conditions": {
            name: None if field.data is None else float(field.data)
            for name, field in (("rpm", form.rpm), ("ambient_celsius", form.ambient_celsius))
        },
    }
    numbers = [float(number) for number in form.values.data if number is not None]
    if numbers:
        values = [{"value": number, "over_range": bool(form.over_range.data)} for number in numbers]
        unit = form.unit.data or form.default_unit(line["quick_variant_of"] or line["id"])
        body["readings"] = [{"quantity": form.quantity.data or None, "values": values, "unit": unit}]
    return body


class OutcomeForm(PageForm):
    """Was it the part?"""

    part = SelectField(lazy("Part that was opened or renewed"), validate_choice=False)
    really_bad = RadioField(lazy("Was it bad?"), choices=choices(YES_NO), default="yes", validate_choice=False)
    note = StringField(lazy("Note"), [Optional(), Length(max=1000)])

    def offer(self, posteriors: list[dict[str, Any]]) -> None:
        """The machine's parts, the likeliest bad first."""
        self.part.choices = choices(
            (
                f"{p['component']}|{p['position'] or ''}",
                catalogue_label(p["name"], place_name(p["position"])),
            )
            for p in posteriors
        )


class BillForm(PageForm):
    """What is asked for the machine."""

    asking_price = NumberField(lazy("Asking price"), [Optional()])


def bill_request(form: BillForm) -> dict[str, Any]:
    """The terms of a bill, as `BillQuery` reads them."""
    return {} if form.asking_price.data is None else {"asking_price": str(form.asking_price.data)}
