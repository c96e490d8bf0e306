"""What was seen, told and measured on a machine, as it is sent."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.asked import Asked
from service.schemas.fields import Name, Number, Reply, YesNo
from service.schemas.records import KnownAtAsked
from service.vocabulary import OUTCOMES, PART_MARKS

HEARD = ("seen", "told")
ENGINE_STATES = ("hot", "cold")
MOST = 50


class SymptomAsked(Asked):
    """A symptom. Told by somebody it weighs less than seen (the square root of its ratio)."""

    id = Name(required=True, most=8, metadata={"examples": ["S07"]})
    source = fields.String(load_default="seen", validate=validate.OneOf(HEARD))
    positions = fields.List(
        Name(most=40),
        allow_none=True,
        load_default=None,
        validate=validate.Length(min=1, max=8),
        metadata={"description": "where the symptom names a place: the dead cylinder, the bank that rattles"},
    )
    present = YesNo(
        load_default=True,
        metadata={"description": "false: looked for and not there; says something of S11 only (lamp works and is off)"},
    )
    names_component = Name(
        allow_none=True,
        load_default=None,
        most=60,
        metadata={"description": "S11 only: the component whose circuit the stored code names"},
    )


class FactAsked(Asked):
    """A fact of the machine's history."""

    id = Name(required=True, most=8, metadata={"examples": ["H04c"]})
    idle_months = Number(
        allow_none=True,
        load_default=None,
        validate=validate.Range(min=0, max=600),
        metadata={"description": "how long it stood, for the H04 facts; gives the chance that fuel parts stuck"},
    )
    present = YesNo(
        load_default=True,
        metadata={"description": "false: asked for and not so; says something of H06 only (no history at all)"},
    )
    mild = YesNo(
        load_default=False,
        metadata={"description": "the lesser form of the fact, for those that have one (GET /api/v1/facts)"},
    )


class Quantity(Asked):
    """A number with its unit."""

    value = Number(required=True, validate=validate.Range(min=0, max=1e9))
    unit = Name(required=True, most=24)


class ValueAsked(Asked):
    """One number off the meter."""

    value = Number(required=True, validate=validate.Range(min=-1e9, max=1e9))
    over_range = YesNo(
        load_default=False,
        metadata={"description": "the display said over-range: value is then the top of the range, and is exceeded"},
    )
    label = Name(allow_none=True, load_default=None, most=40, metadata={"description": "phase, cylinder, pin, place"})


class FigureAsked(Asked):
    """The figure of this machine from its manual or its own stamp, in the reading's unit."""

    low = Number(allow_none=True, load_default=None)
    high = Number(allow_none=True, load_default=None)
    source = Name(required=True, most=200, metadata={"description": "where it was read"})

    @validates_schema
    def _some(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data.get("low") is None and data.get("high") is None:
            raise ValidationError("Give low, high or both.", "low")
        if None not in (data.get("low"), data.get("high")) and data["low"] > data["high"]:
            raise ValidationError("low lies above high.", "low")


class ReadingAsked(Asked):
    """One quantity, read once or as a set: three phases, all cylinders, several places are one test."""

    quantity = Name(
        allow_none=True,
        load_default=None,
        most=100,
        metadata={"description": "as GET /api/v1/checks/{id} lists them; may be left out where the check has one"},
    )
    values = fields.List(fields.Nested(ValueAsked), required=True, validate=validate.Length(min=1, max=24))
    unit = Name(required=True, most=24)
    resolution = Number(load_default=0.0, validate=validate.Range(min=0, max=1e6))
    lead_resistance = fields.Nested(Quantity, allow_none=True, load_default=None)
    figure = fields.Nested(FigureAsked, allow_none=True, load_default=None)


class ConditionsAsked(Asked):
    """What the reading was taken under."""

    rpm = Number(allow_none=True, load_default=None, validate=validate.Range(min=0, max=25_000))
    ambient_celsius = Number(allow_none=True, load_default=None, validate=validate.Range(min=-60, max=60))
    battery_volts = Number(allow_none=True, load_default=None, validate=validate.Range(min=0, max=20))
    battery_full = YesNo(allow_none=True, load_default=None)
    supply_present = YesNo(
        allow_none=True,
        load_default=None,
        metadata={"description": "false: no supply at the plug, so a silent pump or sensor is not to blame"},
    )


class MeasurementAsked(Asked):
    """What a check found: readings, which are judged, or what a person concluded by eye and hand."""

    check = Name(required=True, most=16, metadata={"examples": ["T08", "T31q"]})
    component = Name(allow_none=True, load_default=None, most=60)
    position = Name(allow_none=True, load_default=None, most=40)
    outcome = fields.String(allow_none=True, load_default=None, validate=validate.OneOf(OUTCOMES))
    part_mark = fields.String(
        allow_none=True,
        load_default=None,
        validate=validate.OneOf(PART_MARKS),
        metadata={"description": "where the check reads a part number: which one it is"},
    )
    engine_state = fields.String(allow_none=True, load_default=None, validate=validate.OneOf(ENGINE_STATES))
    readings = fields.List(fields.Nested(ReadingAsked), load_default=list, validate=validate.Length(max=20))
    conditions = fields.Nested(ConditionsAsked, load_default=lambda: ConditionsAsked().load({}))
    prerequisites_unmet = fields.List(Name(most=200), load_default=list, validate=validate.Length(max=20))


class NamedMachine(Asked):
    """A model by name, for the limits that hold for it."""

    make = Name(required=True)
    model = Name(required=True)
    family = Name(allow_none=True, load_default=None)
    model_year = fields.Integer(allow_none=True, load_default=None, validate=validate.Range(min=1885, max=2100))


class JudgeAsked(MeasurementAsked, KnownAtAsked):
    """A measurement to be judged, and whose limits apply."""

    machine = fields.Nested(NamedMachine, allow_none=True, load_default=None)
    region = Name(
        allow_none=True,
        load_default=None,
        most=60,
        metadata={"description": "jurisdiction whose legal limits stand beside, as GET /api/v1/limits lists them"},
    )


class LimitUsedReply(Reply):
    """A limit with its source, date and region."""

    id = fields.String(required=True)
    quantity = fields.String(required=True)
    unit = fields.String(required=True)
    scope = fields.String(required=True)
    text = fields.String(required=True)
    class_default = fields.Boolean(required=True)
    region = fields.String(allow_none=True, required=True)
    as_of = fields.String(allow_none=True, required=True)
    sources = fields.List(fields.Dict(), required=True)
    mark = fields.String(allow_none=True, required=True)


class JudgementReply(Reply):
    """What one limit said of a reading."""

    quantity = fields.String(required=True)
    verdict = fields.String(required=True)
    reason = fields.String(required=True)
    measure = fields.Float(allow_none=True, required=True)
    side = fields.String(allow_none=True, metadata={"description": "above or below what passes"})
    limit = fields.Nested(LimitUsedReply, allow_none=True, required=True)
    notes = fields.List(fields.String(), required=True)


class SaysReply(Reply):
    """What an outcome says about one part: the factor on its odds of being bad (invented accuracy)."""

    component = fields.String(required=True)
    likelihood_ratio = fields.Float(required=True)
    note = fields.String(allow_none=True, required=True)


class JudgedReply(Reply):
    """A measurement with its outcome; `cautions` and `ask_first` are to be read before the check is done again."""

    check = fields.String(required=True)
    title = fields.String(required=True)
    outcome = fields.String(required=True)
    cautions = fields.List(fields.Dict(), required=True)
    ask_first = fields.List(fields.String(), required=True)
    prerequisites_unmet = fields.List(fields.String(), required=True)
    judged_by = fields.String(allow_none=True, required=True)
    part_mark = fields.String(allow_none=True, required=True)
    judgements = fields.List(fields.Nested(JudgementReply), required=True)
    says = fields.List(fields.Nested(SaysReply), required=True)
    notes = fields.List(fields.String(), required=True)
    trap = fields.String(required=True)
