"""What a shop says beside its cards."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.asked import Asked
from service.schemas.fields import Name, Number, Reply
from service.schemas.records import KnownAtQuery
from service.vocabulary import EVENT_DATES


class PlateAsked(Asked):
    """A registration a machine bore."""

    plate = Name(required=True, most=40)
    borne_from = fields.Date(load_default=None, allow_none=True)
    borne_until = fields.Date(load_default=None, allow_none=True)
    by = Name(required=True)


class PlateReply(Reply):
    """A registration with its time."""

    id = fields.UUID(attribute="public_id", required=True)
    plate = fields.String(attribute="as_written", required=True)
    borne_from = fields.Date(required=True, allow_none=True)
    borne_until = fields.Date(required=True, allow_none=True)
    said_by = fields.String(required=True)
    said_at = fields.DateTime(required=True)


class PlatesReply(Reply):
    """Registrations of one machine."""

    plates = fields.List(fields.Nested(PlateReply), required=True)


class BearersQuery(KnownAtQuery):
    """Which registration, on which day."""

    plate = Name(required=True, most=40)
    on = fields.Date(load_default=None)


class BearersReply(Reply):
    """Machines that bore a registration."""

    machines = fields.List(fields.Dict(), required=True)


class LineDateAsked(Asked):
    """One of a line's own dates."""

    event = fields.String(required=True, validate=validate.OneOf(EVENT_DATES))
    date = Name(required=True, most=40)
    by = Name(required=True)


class LineDateReply(Reply):
    """One of a line's own dates."""

    id = fields.UUID(attribute="public_id", required=True)
    event = fields.String(required=True)
    as_written = fields.String(required=True)
    earliest = fields.Date(required=True)
    latest = fields.Date(required=True)
    said_by = fields.String(required=True)


class LineDatesReply(Reply):
    """A line's own dates beside its card's."""

    dates = fields.List(fields.Nested(LineDateReply), required=True)


class PolicyAsked(Asked):
    """A rule to renew a part."""

    component = Name(required=True, most=60)
    every_km = Number(load_default=None, allow_none=True, validate=validate.Range(min=1, max=3_000_000))
    every_months = Number(load_default=None, allow_none=True, validate=validate.Range(min=0.1, max=1_200))
    in_force_from = fields.Date(required=True)
    in_force_until = fields.Date(load_default=None, allow_none=True)
    why = Name(required=True, most=400)
    by = Name(required=True)


class PoliciesReply(Reply):
    """The shop's rules."""

    policies = fields.List(fields.Dict(), required=True)


class HoursAsked(Asked):
    """A declared assumption: what an hour of engine time is in km."""

    km_per_hour = Number(required=True, validate=validate.Range(min=0.1, max=300))
    why = Name(required=True, most=400)
    by = Name(required=True)


class HoursReply(Reply):
    """The assumption in force."""

    km_per_hour = fields.Float(required=True)
    why = fields.String(required=True)
    said_by = fields.String(required=True)


class EngineChangeAsked(Asked):
    """Another engine in a frame."""

    changed_on = fields.Date(required=True)
    family = Name(
        load_default=None,
        allow_none=True,
        most=80,
        metadata={"description": "of the engine that went in; without it, the same as before"},
    )
    why = Name(required=True, most=400)
    by = Name(required=True)


class EngineChangeReply(Reply):
    """An engine change."""

    id = fields.UUID(attribute="public_id", required=True)
    changed_on = fields.Date(required=True)
    family = fields.String(required=True)
    why = fields.String(required=True)
    said_by = fields.String(required=True)
    said_at = fields.DateTime(required=True)
    undone_by = fields.String(required=True, allow_none=True)
    undone_at = fields.DateTime(required=True, allow_none=True)


class EngineChangesReply(Reply):
    """Engine changes of one machine."""

    engine_changes = fields.List(fields.Nested(EngineChangeReply), required=True)


class EngineChangeUndone(Asked):
    """Who takes it back."""

    by = Name(required=True)


class JoinAsked(Asked):
    """Who consents, or takes a join back."""

    by = Name(required=True)
    why = Name(load_default=None, allow_none=True, most=400)


class JoinedReply(Reply):
    """How many machines this changed."""

    machines = fields.Integer(required=True)


class JoinsReply(Reply):
    """The shop's machines that count together with one of another shop."""

    joins = fields.List(fields.Dict(), required=True)
