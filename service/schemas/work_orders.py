"""Fixed orders of work, adapted to a machine."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.fields import Name, PartialDate, Reply
from service.schemas.plan import CautionReply
from service.schemas.records import KnownAtQuery


class WorkOrderQuery(KnownAtQuery):
    """For which machine, and how long it stood; without a machine the order for any."""

    make = Name(load_default=None)
    model = Name(load_default=None)
    family = Name(load_default=None)
    model_year = fields.Integer(load_default=None, validate=validate.Range(min=1885, max=2100))
    built = PartialDate(load_default=None)
    first_registered = PartialDate(load_default=None)
    odometer_km = fields.Float(load_default=None, validate=validate.Range(min=0, max=3_000_000))
    months_stood = fields.Float(load_default=None, validate=validate.Range(min=0, max=1200))
    as_of = fields.Date(load_default=None)

    @validates_schema
    def _machine(self, data: dict[str, Any], **kwargs: Any) -> None:
        if (data["make"] is None) != (data["model"] is None):
            raise ValidationError("Give make and model, or neither.", "model" if data["make"] else "make")
        placed = any(data[name] is not None for name in ("model_year", "built", "first_registered", "odometer_km"))
        if data["make"] is not None and not placed:
            raise ValidationError("Give odometer_km, or one of built, first_registered and model_year.", "odometer_km")


class WorkCheckReply(Reply):
    """A check of a step; read `cautions` before `steps`."""

    check = fields.String(required=True)
    title = fields.String(required=True)
    minutes = fields.Float(required=True)
    kit = fields.String(required=True)
    cautions = fields.List(fields.Nested(CautionReply), required=True)
    before = fields.List(fields.String(), required=True)
    steps = fields.List(fields.String(), required=True)
    expected = fields.String(required=True)
    judging = fields.String(required=True)
    trap = fields.String(required=True)


class WorkStepReply(Reply):
    """One step; read `cautions` before the rest."""

    order = fields.Integer(required=True)
    title = fields.String(required=True)
    only_for = fields.String(allow_none=True, required=True)
    cautions = fields.List(fields.Nested(CautionReply), required=True)
    why = fields.String(required=True)
    not_before = fields.List(fields.String(), required=True)
    checks = fields.List(fields.Nested(WorkCheckReply), required=True)


class WorkOrderReply(Reply):
    """An order of work: cautions, what not to do too early, the steps, what to buy now and what not yet."""

    id = fields.String(required=True)
    title = fields.String(required=True)
    cautions = fields.List(fields.Nested(CautionReply), required=True)
    first = fields.String(required=True)
    fuelling = fields.String(allow_none=True, required=True)
    months_stood = fields.Float(allow_none=True, required=True)
    not_before = fields.List(fields.Dict(), required=True)
    steps = fields.List(fields.Nested(WorkStepReply), required=True)
    order_now = fields.List(fields.String(), required=True)
    order_not_yet = fields.List(fields.Dict(), required=True)
    likely_bad = fields.List(fields.Dict(), required=True)
    mark = fields.String(required=True)
    notes = fields.List(fields.String(), required=True)


class WorkOrdersReply(Reply):
    """The orders of work there are."""

    work_orders = fields.List(fields.Dict(), required=True)
