"""What is asked and answered about an inspection plan."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.fields import Number, Reply, YesNo
from service.schemas.ranking import EstimateReply, RankingAsked, SafetyDefectReply

KITS = ("pocket", "home", "shop", "bench")
PERMISSIONS = ("look_only", "seat_off", "may_strip", "may_ride")


class PlanAsked(RankingAsked):
    """A machine, and what this person has: minutes, tools, leave."""

    minutes = Number(load_default=30.0, validate=validate.Range(min=1, max=1440))
    kit = fields.String(load_default="pocket", validate=validate.OneOf(KITS))
    permission = fields.String(load_default="look_only", validate=validate.OneOf(PERMISSIONS))
    engine_cold = YesNo(load_default=True)


class CautionReply(Reply):
    """A warning to read before the steps."""

    id = fields.String(required=True)
    title = fields.String(required=True)
    text = fields.String(required=True)


class AccessReply(Reply):
    """What comes off for a line, and the minutes it takes where it is the first to need it."""

    group = fields.String(required=True)
    what = fields.String(required=True)
    minutes = fields.Float(required=True)


class LimitReply(Reply):
    """A limit with its source, date and region."""

    id = fields.String(required=True)
    quantity = fields.String(required=True)
    unit = fields.String(required=True)
    text = fields.String(required=True)
    class_default = fields.Boolean(required=True)
    region = fields.String(allow_none=True, required=True)
    as_of = fields.String(allow_none=True, required=True)
    sources = fields.List(fields.Dict(), required=True)
    mark = fields.String(allow_none=True, required=True)


class CheckTextReply(Reply):
    """How a check is done and judged; read `cautions` before `steps`."""

    cautions = fields.List(fields.Nested(CautionReply), required=True)
    before = fields.List(fields.String(), required=True)
    steps = fields.List(fields.String(), required=True)
    expected = fields.String(required=True)
    judging = fields.String(required=True)
    limits = fields.List(fields.Nested(LimitReply), required=True)
    trap = fields.String(required=True)
    a_pass_does_not_clear_it = fields.Boolean(required=True)
    mark = fields.String(required=True)


class PlanLineReply(CheckTextReply):
    """One check to do; read `cautions` before `steps`."""

    order = fields.Integer(required=True)
    check = fields.String(required=True)
    title = fields.String(required=True)
    full_check = fields.String(required=True)
    quick_variant = fields.Boolean(required=True)
    minutes = fields.Float(required=True)
    access = fields.Nested(AccessReply, required=True)
    stage = fields.String(required=True)
    why = fields.String(required=True)
    worth = fields.Float(required=True)
    worth_per_minute = fields.Float(required=True)
    components = fields.List(fields.String(), required=True)


class LeftOutReply(Reply):
    """A check that is not in the plan, and why."""

    check = fields.String(required=True)
    title = fields.String(required=True)
    code = fields.String(required=True)
    reason = fields.String(required=True)
    worth = fields.Float(required=True)


class SafetyReply(Reply):
    """What of brakes, steering, tyres, wheels, frame and fire this plan does not reach."""

    checks_not_in_plan = fields.List(fields.Nested(LeftOutReply), required=True)
    parts_no_line_looks_at = fields.List(fields.Dict(), required=True)


class PlanReply(Reply):
    """An ordered list of checks that fits the minutes."""

    minutes = fields.Float(required=True)
    minutes_used = fields.Float(required=True)
    kit = fields.String(required=True)
    permission = fields.String(required=True)
    currency = fields.String(required=True)
    safety_defects = fields.List(fields.Nested(SafetyDefectReply), required=True)
    lines = fields.List(fields.Nested(PlanLineReply), required=True)
    left_out = fields.List(fields.Nested(LeftOutReply), required=True)
    safety = fields.Nested(SafetyReply, required=True)
    one_permission_more = fields.Dict(allow_none=True, required=True)
    estimate = fields.Nested(EstimateReply, required=True)
    notes = fields.List(fields.String(), required=True)
