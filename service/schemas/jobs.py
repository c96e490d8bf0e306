"""Work asked for, and where it stands."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.asked import Asked
from service.schemas.fields import Moment, Name, Number, Reply
from service.schemas.ranking import HorizonAsked


class FitAsked(Asked):
    """What to fit."""

    component = Name(
        allow_none=True,
        load_default=None,
        most=60,
        metadata={"description": "slug; without it, all that are out of date"},
    )


class BacktestAsked(Asked):
    """Which day to predict from, and how far."""

    as_of = fields.Date(required=True)
    known_at = Moment(
        allow_none=True, load_default=None, metadata={"description": "leave out of the fit what was recorded later"}
    )
    horizon = fields.Nested(HorizonAsked, allow_none=True, load_default=None)
    level = Number(load_default=0.9, validate=validate.Range(min=0.5, max=0.99))

    @validates_schema
    def _some_way(self, data: dict[str, Any], **kwargs: Any) -> None:
        horizon = data.get("horizon") or {}
        distance, months = horizon.get("distance"), horizon.get("months")
        if (distance and not distance["value"] > 0) or (months is not None and not months > 0):
            raise ValidationError("Write a distance and a time above 0.", "horizon")


class JobListed(Reply):
    """One job without its result."""

    id = fields.UUID(attribute="public_id", required=True)
    kind = fields.String(required=True)
    state = fields.String(required=True, validate=validate.OneOf(("queued", "running", "done", "failed")))
    asked = fields.Dict(attribute="params", required=True)
    attempt = fields.Integer(required=True, metadata={"description": "how often it was started"})
    steps_done = fields.Integer(required=True)
    steps_total = fields.Integer(required=True)
    asked_at = fields.DateTime(required=True)
    started_at = fields.DateTime(required=True, allow_none=True)
    ended_at = fields.DateTime(required=True, allow_none=True)
    problem = fields.String(required=True, allow_none=True, metadata={"description": "why it failed"})


class JobReply(JobListed):
    """One job."""

    result = fields.Dict(required=True, allow_none=True)


class JobsReply(Reply):
    """A page of jobs."""

    jobs = fields.List(fields.Nested(JobListed), required=True)
    next = fields.UUID(required=True, allow_none=True)
