"""What is asked about a fleet's future."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.asked import Asked
from service.schemas.fields import Name, Reply

SHARE = validate.Range(min=0.5, max=0.99)
MONEY = validate.Range(min=0.01, max=1e7)


class DayQuery(Asked):
    """From which day to look ahead; today without it."""

    as_of = fields.Date(load_default=None, allow_none=True)


class OutlookQuery(DayQuery):
    """How far ahead."""

    months = fields.Integer(load_default=3, validate=validate.Range(min=1, max=36))
    level = fields.Float(load_default=0.8, validate=SHARE)


class SparesQuery(DayQuery):
    """How long parts take to come, and how sure the shelf must be; an interval where parts are renewed on purpose."""

    lead_time_days = fields.Float(load_default=28.0, validate=validate.Range(min=1, max=1000))
    cover = fields.Float(load_default=0.95, validate=validate.Range(min=0.5, max=0.999))
    interval_km = fields.Float(load_default=None, validate=validate.Range(min=100, max=1e6))
    interval_days = fields.Float(load_default=None, validate=validate.Range(min=7, max=20_000))


class RenewalQuery(Asked):
    """Whose part, how the machine is used, what renewing costs on purpose and after a failure."""

    make = Name(required=True)
    model = Name(required=True)
    position = Name(load_default=None, most=40)
    clock = fields.String(load_default="km", validate=validate.OneOf(("km", "days")))
    km_per_year = fields.Float(load_default=5000.0, validate=validate.Range(min=100, max=200_000))
    planned = fields.Float(required=True, validate=MONEY)
    failure = fields.Float(required=True, validate=MONEY)
    planned_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    failure_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    downtime_per_day = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=1e6))
    while_apart = fields.Float(load_default=None, validate=MONEY)
    alternatives = fields.List(
        fields.Float(validate=validate.Range(min=1, max=1e7)), load_default=list, validate=validate.Length(max=20)
    )
    level = fields.Float(load_default=0.9, validate=SHARE)


class FleetWorkQuery(DayQuery):
    """What is renewed on purpose, and what a machine off the road costs."""

    components = fields.List(Name(most=60), load_default=list, validate=validate.Length(max=60))
    planned_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    failure_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    downtime_per_day = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=1e6))


class PullListQuery(FleetWorkQuery):
    """The workshop's hours, how long what stays out runs on, and what bringing a machine in takes."""

    hours = fields.Float(load_default=20.0, validate=validate.Range(min=0, max=10_000))
    days_ahead = fields.Float(load_default=7.0, validate=validate.Range(min=1, max=366))
    hours_to_bring_in = fields.Float(load_default=0.25, validate=validate.Range(min=0, max=100))


class DueWorkQuery(FleetWorkQuery):
    """How far ahead."""

    days = fields.Integer(load_default=90, validate=validate.Range(min=1, max=3660))


class PullListReply(Reply):
    """Jobs within the hours, the most worth first, and what was left out and why."""

    jobs = fields.List(fields.Dict(), required=True)
    machines = fields.List(fields.String(), required=True)
    hours = fields.Float(required=True)
    left_out = fields.List(fields.Dict(), required=True)


class DueWorkReply(Reply):
    """Scheduled renewals due, the overdue first."""

    due = fields.List(fields.Dict(), required=True)
    hours = fields.Float(required=True)


class OutlookReply(Reply):
    """Failures expected, with a prediction interval."""

    expected = fields.Float(required=True)
    low = fields.Integer(required=True)
    high = fields.Integer(required=True)
    components = fields.List(fields.Dict(), required=True)
    by_machine = fields.List(fields.Dict(), required=True)


class SparesReply(Reply):
    """Stock to hold and what it covers."""

    stock = fields.Integer(required=True)
    covers = fields.Float(required=True)
    expected = fields.Float(required=True)


class RenewalReply(Reply):
    """The cheapest interval; null with the reason where there is none."""

    interval = fields.Float(required=True, allow_none=True)
    reason = fields.String(required=True)


class ComparisonsReply(Reply):
    """Models against the class at equal distance and age."""

    models = fields.List(fields.Dict(), required=True)
    within = fields.List(fields.Dict(), required=True)
