"""Shape and range of every catalogue entry; what refers to what is checked in `service.catalogue_files`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service import catalogue_types as types
from service.data_files import Flag, Number, RecordSchema, Text, WholeNumber, is_number

SLUG = validate.Regexp(r"^[a-z][a-z0-9_]*$", error="must be lower-case letters, digits and _: is {input!r}")
SYSTEMS = [
    "brakes",
    "charging",
    "cooling",
    "electrical",
    "engine_top",
    "final_drive",
    "frame",
    "fuel",
    "ignition",
    "starting",
    "steering",
    "suspension",
    "transmission",
    "tyres",
    "wheels",
]
POSITION_RULES = ["single", "fixed", "per_cylinder", "per_plug", "per_valve", "per_bank", "per_cylinder_or_shared"]
PF_KINDS = ["gradual", "sudden", "none", "hidden", "not_wear"]


def member_of(words: list[str] | tuple[str, ...]) -> validate.OneOf:
    """Holds a field to a closed list and says what is in it."""
    return validate.OneOf(words, error="{input!r} is not one of {choices}")


def text_field(*checks: Any, nullable: bool = False, key: str | None = None) -> Text:
    return Text(required=True, allow_none=nullable, validate=list(checks), data_key=key)


def text_list() -> fields.List[Any]:
    return fields.List(Text(), required=True)


def nested(schema: type[RecordSchema], *, nullable: bool = False, many: bool = False) -> Any:
    if many:
        return fields.List(fields.Nested(schema), required=True)
    return fields.Nested(schema, required=True, allow_none=nullable)


def number_field(**bounds: Any) -> Number:
    return Number(required=True, **bounds)


class Ratios(fields.Field[tuple[types.Ratio, ...]]):
    """An object {component: ratio > 0}, kept as a tuple of `Ratio`."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> tuple[types.Ratio, ...]:
        if not isinstance(value, Mapping) or not value:
            raise ValidationError("must be an object of component: ratio")
        wrong = [name for name, ratio in value.items() if not is_number(ratio) or ratio <= 0]
        if wrong:
            raise ValidationError({name: [f"must be a number above 0, not {value[name]!r}"] for name in wrong})
        return tuple(types.Ratio(component, ratio) for component, ratio in value.items())

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return {ratio.component: ratio.ratio for ratio in value}


class LifeSchema(RecordSchema):
    makes = types.Life
    shape = number_field(above=0)
    scale_km = WholeNumber(required=True, allow_none=True, above=0)
    scale_years = number_field(allow_none=True, above=0)
    mark = text_field()

    @validates_schema
    def _some_clock(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data["scale_km"] is None and data["scale_years"] is None:
            raise ValidationError("give scale_km, scale_years or both")


class PFIntervalSchema(RecordSchema):
    makes = types.PFInterval
    km = number_field(allow_none=True, above=0)
    months = number_field(allow_none=True, above=0)
    kind = text_field(member_of(PF_KINDS))
    note = text_field(nullable=True)
    mark = text_field()

    @validates_schema
    def _fits_kind(self, data: dict[str, Any], **kwargs: Any) -> None:
        seen_coming = data["kind"] in ("gradual", "sudden")
        if seen_coming == (data["km"] is None and data["months"] is None):
            raise ValidationError(f"kind {data['kind']} {'needs' if seen_coming else 'excludes'} km or months")


class ComponentSchema(RecordSchema):
    makes = types.Component
    slug = text_field(SLUG)
    name = text_field()
    system = text_field(member_of(SYSTEMS))
    position_rule = text_field(member_of(POSITION_RULES))
    positions = fields.List(Text(validate=SLUG), required=True)
    life = nested(LifeSchema)
    life_driver = text_field()
    policy = text_field(member_of(list("SOR")))
    safety_class = text_field(member_of(list("ABC")))
    safety_note = text_field(nullable=True)
    pf = nested(PFIntervalSchema)
    shown_by_running = Flag(required=True)
    follows_engine = Flag(required=True)
    modes = text_list()
    takes_with = text_list()
    job_hours = number_field(above=0)
    part_labour_hours = number_field(at_least=0)
    access_group = text_field()
    work_mark = text_field()

    @validates_schema
    def _positions_fit_rule(self, data: dict[str, Any], **kwargs: Any) -> None:
        fixed, positions = data["position_rule"] == "fixed", data["positions"]
        if fixed != bool(positions):
            wanted = "at least one name" if fixed else "an empty list"
            raise ValidationError(f"rule {data['position_rule']} needs {wanted}", "positions")
        if len(set(positions)) != len(positions):
            raise ValidationError("names a position twice", "positions")


class AccessGroupSchema(RecordSchema):
    makes = types.AccessGroup
    code = text_field()
    what = text_field()
    hours = number_field(at_least=0)
    mark = text_field()
    includes = text_list()
    one_of = text_list()


class CautionSchema(RecordSchema):
    makes = types.Caution
    id = text_field()
    title = text_field()
    text = text_field()
    sources = text_list()
    mark = text_field(nullable=True)


class SourceSchema(RecordSchema):
    makes = types.Source
    id = text_field()
    what = text_field()
    where = text_field()


class SymptomSchema(RecordSchema):
    makes = types.Symptom
    id = text_field()
    title = text_field()
    group = text_field()
    ratios = Ratios(required=True, data_key="lr")
    note = text_field(nullable=True)
    stop_riding = Flag(required=True)
    by_position = Flag(required=True)
    cautions = text_list()
    mark = text_field()


class MildFormSchema(RecordSchema):
    makes = types.MildForm
    title = text_field()
    ratios = Ratios(required=True, data_key="lr")


class HistoryFactSchema(RecordSchema):
    makes = types.HistoryFact
    id = text_field()
    title = text_field()
    group = text_field(nullable=True)
    ratios = Ratios(required=True, data_key="lr")
    note = text_field(nullable=True)
    mild = nested(MildFormSchema, nullable=True)
    duplicates_covariate = text_field(member_of(["idle", "region", "load"]), nullable=True)
    not_when_age_known = text_list()
    voids_checks = text_list()
    mark = text_field()


class SynonymSchema(RecordSchema):
    makes = types.Synonym
    text = text_field()
    component = text_field()
    position = text_field(nullable=True)
    ambiguous_with = text_list()
    other_meanings = text_list()
    language = text_field(member_of(["en", "de", "fr", "es"]))


class SetLevelAlsoSchema(RecordSchema):
    makes = types.SetLevelAlso
    check = text_field()
    component = text_field()
    given_bad_fail = number_field(at_least=0, at_most=1)


class EvidenceRulesSchema(RecordSchema):
    makes = types.EvidenceRules
    id = text_field()
    cap_symptom_or_history = number_field(above=1)
    cap_measured_check = number_field(above=1)
    cap_product_per_component = number_field(above=1)
    reported_exponent = number_field(above=0, at_most=1)
    live_cylinder_ratio = number_field(above=0)
    fault_lamp_off_ratio = number_field(above=0)
    no_history_ratio_scheduled = number_field(above=0)
    set_level_also = nested(SetLevelAlsoSchema, many=True)
    mark = text_field()
