"""Shape and range of checks, limits and ready-made plans."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, validate, validates_schema

from service import check_types as types
from service.catalogue_schemas import member_of, nested, number_field, text_field, text_list
from service.data_files import Flag, RecordSchema, WholeNumber

ENGINE_STATES = ["cold", "warm", "running", "cranking", "off", "any"]
SCOPES = ("class default", "published example", "jurisdiction")
DIRECTIONS = ["higher_is_better", "lower_is_better", "two_sided", "nominal", "balance", "over_range"]
BASES = [
    "value",
    "spread",
    "spread_percent",
    "percent_of_model",
    "percent_of_start",
    "outside_model",
    "above_model_limit",
    "inside_model_tight_edge",
    "above_stamped_minimum",
    "above_jurisdiction_limit",
]
SUM_TOLERANCE = 1e-9


class OutcomeSharesSchema(RecordSchema):
    makes = types.OutcomeShares
    # Strictly inside (0, 1): a certain outcome would make a likelihood ratio zero or infinite.
    fail = number_field(above=0, at_most=1)
    marginal = number_field(above=0, at_most=1)
    pass_ = number_field(above=0, at_most=1, data_key="pass")

    @validates_schema
    def _adds_up(self, data: dict[str, Any], **kwargs: Any) -> None:
        total = data["fail"] + data["marginal"] + data["pass_"]
        if abs(total - 1) > SUM_TOLERANCE:
            raise ValidationError(f"fail, marginal and pass must add up to 1, they add up to {total:.4g}")


class TargetSchema(RecordSchema):
    makes = types.Target
    component = text_field()
    when = text_field(member_of(["cold", "hot"]), nullable=True)
    given_bad = nested(OutcomeSharesSchema)
    given_good = nested(OutcomeSharesSchema)
    weak_pass = Flag(required=True)
    mark = text_field()


class AccessAlternativeSchema(RecordSchema):
    makes = types.AccessAlternative
    access_group = text_field()
    purpose = text_field(key="for")


class CheckSchema(RecordSchema):
    makes = types.Check
    id = text_field(validate.Regexp(r"^T\d\d$", error="must be T and two digits: is {input!r}"))
    title = text_field()
    minutes = number_field(above=0)
    access_group = text_field()
    access_alternative = nested(AccessAlternativeSchema, nullable=True)
    kit = text_field()
    permission = text_field()
    needs_engine = text_field(member_of(ENGINE_STATES))
    before_key = Flag(required=True)
    cold_start = Flag(required=True)
    evidence_group = text_field(nullable=True)
    cautions = text_list()
    tools = text_list()
    before = text_list()
    steps = text_list()
    expected = text_field()
    judging = text_field()
    trap = text_field()
    sources = text_list()
    set_level = Flag(required=True)
    set_name = text_field(nullable=True)
    weak_pass = Flag(required=True)
    needs_checks = text_list()
    mark_of = text_list()
    targets = nested(TargetSchema, many=True)

    @validates_schema
    def _agrees_with_itself(self, data: dict[str, Any], **kwargs: Any) -> None:
        if bool(data["targets"]) == bool(data["mark_of"]):
            raise ValidationError("a check judges components, or names in mark_of whose numbers it reads", "targets")
        if data["id"] in data["needs_checks"]:
            raise ValidationError("names the check itself", "needs_checks")
        if data["set_level"] != (data["set_name"] is not None):
            raise ValidationError("is needed for a set-level check, and only there", "set_name")
        if data["weak_pass"] != any(target.weak_pass for target in data["targets"]):
            raise ValidationError("must be true exactly when it is true for a target", "weak_pass")


class QuickVariantSchema(RecordSchema):
    makes = types.QuickVariant
    id = text_field(validate.Regexp(r"^T\d\dq$", error="must be T, two digits and q: is {input!r}"))
    parent = text_field()
    title = text_field()
    minutes = number_field(above=0)
    access_group = text_field()
    kit = text_field()
    permission = text_field()
    needs_engine = text_field(member_of(ENGINE_STATES))
    cold_start = Flag(required=True)
    cautions = text_list()
    targets = nested(TargetSchema, many=True)


class TemperaturePointSchema(RecordSchema):
    makes = types.TemperaturePoint
    celsius = number_field()
    value = number_field()


class LimitSchema(RecordSchema):
    makes = types.Limit
    id = text_field()
    check = text_field()
    component = text_field(nullable=True)
    quantity = text_field()
    unit = text_field()
    scope = text_field(member_of(SCOPES))
    class_default = Flag(required=True)
    basis = text_field(member_of(BASES))
    direction = text_field(member_of(DIRECTIONS))
    pass_low = number_field(allow_none=True)
    pass_high = number_field(allow_none=True)
    marginal_low = number_field(allow_none=True)
    marginal_high = number_field(allow_none=True)
    pass_includes_bounds = Flag(required=True)
    marginal_includes_bounds = Flag(required=True)
    beyond = text_field(member_of(["fail", "marginal"]))
    condition = text_field(nullable=True)
    temperature_points = nested(TemperaturePointSchema, many=True)
    temperature_note = text_field(nullable=True)
    region = text_field(nullable=True)
    as_of = text_field(
        validate.Regexp(r"^\d{4}(-\d\d(-\d\d)?)?$", error="must be a date like 2019-03-06: is {input!r}"), nullable=True
    )
    machine = text_field(nullable=True)
    sources = text_list()
    mark = text_field(nullable=True)
    note = text_field(nullable=True)

    @validates_schema
    def _bounds_nest(self, data: dict[str, Any], **kwargs: Any) -> None:
        low, high = data["pass_low"], data["pass_high"]
        if low is None and high is None and data["direction"] != "over_range":
            raise ValidationError("needs pass_low, pass_high or both")
        if low is not None and high is not None and low > high:
            raise ValidationError(f"lies above pass_high {high}", "pass_low")
        outer_low, outer_high = data["marginal_low"], data["marginal_high"]
        if outer_low is not None and (low is None or outer_low > low):
            raise ValidationError("the marginal band must lie outside pass_low", "marginal_low")
        if outer_high is not None and (high is None or outer_high < high):
            raise ValidationError("the marginal band must lie outside pass_high", "marginal_high")

    @validates_schema
    def _says_where_from(self, data: dict[str, Any], **kwargs: Any) -> None:
        if not data["sources"] and data["mark"] is None:
            raise ValidationError("a limit without a source needs a mark", "mark")
        if (data["scope"] == "jurisdiction") != (data["region"] is not None):
            raise ValidationError("is needed for a jurisdiction limit, and only there", "region")
        if data["class_default"] != (data["scope"] == "class default"):
            raise ValidationError("must agree with scope", "class_default")


class KitSchema(RecordSchema):
    makes = types.Kit
    id = text_field()
    name = text_field()
    tools = text_list()
    includes = text_field(nullable=True)


class PermissionSchema(RecordSchema):
    makes = types.Permission
    id = text_field()
    name = text_field()
    meaning = text_field()
    includes = text_field(nullable=True)


class SpecialStepSchema(RecordSchema):
    makes = types.SpecialStep
    id = text_field()
    title = text_field()
    minutes = number_field(above=0)
    access_group = text_field(nullable=True)
    permission = text_field()
    needs_engine = text_field(member_of(ENGINE_STATES))
    mark = text_field()


class PlanItemSchema(RecordSchema):
    makes = types.PlanItem
    check = text_field(nullable=True)
    special = text_field(nullable=True)
    minutes = number_field(above=0)

    @validates_schema
    def _names_one(self, data: dict[str, Any], **kwargs: Any) -> None:
        if (data["check"] is None) == (data["special"] is None):
            raise ValidationError("give either check or special")


class PlanStepSchema(RecordSchema):
    makes = types.PlanStep
    items = nested(PlanItemSchema, many=True)
    why = text_field()


class VisitPlanSchema(RecordSchema):
    makes = types.VisitPlan
    id = text_field()
    title = text_field()
    minutes = number_field(above=0)
    kit = text_field()
    permission = text_field()
    say_before = text_field()
    steps = nested(PlanStepSchema, many=True)
    mark = text_field()

    @validates_schema
    def _minutes_add_up(self, data: dict[str, Any], **kwargs: Any) -> None:
        total = sum(item.minutes for step in data["steps"] for item in step.items)
        if total > data["minutes"]:
            raise ValidationError(f"the steps take {total:g}, more than the plan's {data['minutes']:g}", "minutes")


FUELLINGS = ["injection", "carburettor"]


def fuelling_field() -> Any:
    return text_field(member_of(FUELLINGS), nullable=True)


class WorkStepSchema(RecordSchema):
    makes = types.WorkStep
    order = WholeNumber(required=True, at_least=1)
    title = text_field()
    why = text_field()
    fuelling = fuelling_field()
    checks = text_list()
    cautions = text_list()


class NotBeforeSchema(RecordSchema):
    makes = types.NotBefore
    what = text_field()
    until_step = WholeNumber(required=True, at_least=1)
    why = text_field()


class OrderNowSchema(RecordSchema):
    makes = types.OrderNow
    what = text_field()
    fuelling = fuelling_field()


class OrderAfterSchema(RecordSchema):
    makes = types.OrderAfter
    component = text_field()
    checks = text_list()
    why = text_field()


class WorkOrderSchema(RecordSchema):
    makes = types.WorkOrder
    id = text_field()
    title = text_field()
    first = text_field()
    steps = nested(WorkStepSchema, many=True)
    not_before = nested(NotBeforeSchema, many=True)
    order_now = nested(OrderNowSchema, many=True)
    order_after = nested(OrderAfterSchema, many=True)
    mark = text_field()

    @validates_schema
    def _in_order(self, data: dict[str, Any], **kwargs: Any) -> None:
        for kind in FUELLINGS:
            orders = [step.order for step in data["steps"] if step.fuelling in (None, kind)]
            if orders != list(range(1, len(orders) + 1)):
                raise ValidationError(f"must run 1, 2, 3 for {kind}: is {orders}", "steps")
            if any(entry.until_step > len(orders) for entry in data["not_before"]):
                raise ValidationError(f"until_step lies after the last step, {len(orders)}", "not_before")


class ConsumableSchema(RecordSchema):
    makes = types.Consumable
    id = text_field()
    component = text_field(nullable=True)
    access_group = text_field(nullable=True)
    items = text_list()
    cautions = text_list()
    mark = text_field()

    @validates_schema
    def _names_one(self, data: dict[str, Any], **kwargs: Any) -> None:
        if (data["component"] is None) == (data["access_group"] is None):
            raise ValidationError("give either component or access_group")


class ConsequenceSchema(RecordSchema):
    makes = types.ConsequenceEntry
    first = text_field()
    takes = text_field()
    chance = number_field(above=0, at_most=1)
    how = text_field()
    mark = text_field()

    @validates_schema
    def _differ(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data["first"] == data["takes"]:
            raise ValidationError("a part cannot take itself with it", "takes")
