"""What is asked about a fleet's future."""

from __future__ import annotations

from collections.abc import Sequence

from marshmallow import fields, validate

from service.schemas.asked import Asked
from service.schemas.fields import Name, Number, Reply
from service.schemas.records import KnownAtAsked, KnownAtQuery

# Renewal intervals as a query writes them.
NEVER = "never"
AGE = r"(?:[1-9][0-9]{0,6}km/[1-9][0-9]{0,4}days|[1-9][0-9]{0,6}km|[1-9][0-9]{0,4}days)"
CHOICE = rf"^(?:{AGE}|{NEVER})$"
MAKE_AND_MODEL = r"^[^/\x00-\x1f\x7f-\x9f]{1,80}/[^/\x00-\x1f\x7f-\x9f]{1,80}$"
OF_COMPONENT = rf"^[a-z][a-z0-9_]{{0,59}}={AGE}$"
SHARE = validate.Range(min=0.5, max=0.99)
MONEY = validate.Range(min=0.01, max=1e7)


def models_of(texts: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Makes and models from texts like "Tindrake/Shrike 900"."""
    pairs = (text.partition("/") for text in texts)
    return tuple((make.strip(), model.strip()) for make, _, model in pairs)


class DayQuery(KnownAtQuery):
    """From which day to look ahead; today without it, or the day of `known_at`."""

    as_of = fields.Date(load_default=None, allow_none=True)


class DowntimeQuery(DayQuery):
    """What a machine off the road costs."""

    planned_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    failure_downtime_days = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=365))
    downtime_per_day = fields.Float(load_default=0.0, validate=validate.Range(min=0, max=1e6))


class OutlookQuery(DowntimeQuery):
    """How far ahead, and what is renewed on purpose: "cvt_belt=15000km", "brake_fluid=730days" or both with a "/"."""

    months = fields.Integer(load_default=3, validate=validate.Range(min=1, max=36))
    level = fields.Float(load_default=0.8, validate=SHARE)
    interval = fields.List(
        fields.String(
            validate=validate.Regexp(
                OF_COMPONENT, error='Write "component=15000km", "component=730days" or "component=15000km/730days".'
            ),
            metadata={"pattern": OF_COMPONENT},
        ),
        load_default=list,
        validate=validate.Length(max=60),
    )


class IntervalsQuery(DowntimeQuery):
    """Choices to hold against each other: "15000km", "730days", "15000km/730days" or "never"."""

    months = fields.Integer(load_default=12, validate=validate.Range(min=1, max=36))
    choice = fields.List(
        fields.String(
            validate=validate.Regexp(CHOICE, error='Write "15000km", "730days", "15000km/730days" or "never".'),
            metadata={"pattern": CHOICE},
        ),
        required=True,
        validate=validate.Length(min=1, max=12),
    )


class SparesQuery(DayQuery):
    """How long parts take to come, and how sure the shelf must be; an interval where parts are renewed on purpose."""

    lead_time_days = fields.Float(load_default=28.0, validate=validate.Range(min=1, max=1000))
    cover = fields.Float(load_default=0.95, validate=validate.Range(min=0.5, max=0.999))
    interval_km = fields.Float(load_default=None, validate=validate.Range(min=100, max=1e6))
    interval_days = fields.Float(load_default=None, validate=validate.Range(min=7, max=20_000))


class RenewalQuery(KnownAtQuery):
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
    age = fields.Float(load_default=None, validate=validate.Range(min=0, max=1e7))
    both_clocks = fields.Boolean(load_default=False)
    uses = fields.List(
        fields.Float(validate=validate.Range(min=100, max=200_000)),
        load_default=list,
        validate=validate.Length(max=200),
    )
    alternatives = fields.List(
        fields.Float(validate=validate.Range(min=1, max=1e7)), load_default=list, validate=validate.Length(max=20)
    )
    level = fields.Float(load_default=0.9, validate=SHARE)


class BlockPartAsked(Asked):
    """A part behind the cover; costs without the way in."""

    component = Name(required=True, most=60)
    position = Name(load_default=None, most=40)
    together = Number(required=True, validate=validate.Range(min=0, max=1e7))
    failure = Number(required=True, validate=validate.Range(min=0, max=1e7))


class BlockAsked(KnownAtAsked):
    """Parts behind one cover, and what the way in costs."""

    make = Name(required=True)
    model = Name(required=True)
    clock = fields.String(load_default="km", validate=validate.OneOf(("km", "days")))
    km_per_year = Number(load_default=5000.0, validate=validate.Range(min=100, max=200_000))
    access_cost = Number(required=True, validate=validate.Range(min=0, max=1e7))
    parts = fields.List(fields.Nested(BlockPartAsked), required=True, validate=validate.Length(min=1, max=12))


class ChangesQuery(KnownAtQuery):
    """Length of a period; one component, or all."""

    component = Name(load_default=None, most=60)
    months = fields.Integer(load_default=12, validate=validate.OneOf((6, 12)))


class ComparisonsQuery(KnownAtQuery):
    """Models that talk has it are weak here, as "make/model": where the records clear them they are a false lead."""

    suspected = fields.List(
        fields.String(
            validate=validate.Regexp(MAKE_AND_MODEL, error="Write make/model."), metadata={"pattern": MAKE_AND_MODEL}
        ),
        load_default=list,
        validate=validate.Length(max=20),
    )


class GroupsQuery(KnownAtQuery):
    """Of all models, or of one, or of one issue of its part (stratum 0: before the first change)."""

    make = Name(load_default=None)
    model = Name(load_default=None)
    stratum = fields.Integer(load_default=None, validate=validate.Range(min=0, max=20))
    level = fields.Float(load_default=0.9, validate=SHARE)


class FleetWorkQuery(DowntimeQuery):
    """What is renewed on purpose, and what a machine off the road costs."""

    components = fields.List(Name(most=60), load_default=list, validate=validate.Length(max=60))


class PullListQuery(FleetWorkQuery):
    """The workshop's hours, how long what stays out runs on, and what bringing a machine in takes."""

    hours = fields.Float(load_default=20.0, validate=validate.Range(min=0, max=10_000))
    days_ahead = fields.Float(load_default=7.0, validate=validate.Range(min=1, max=366))
    hours_to_bring_in = fields.Float(load_default=0.25, validate=validate.Range(min=0, max=100))


class DueWorkQuery(FleetWorkQuery):
    """How far ahead."""

    days = fields.Integer(load_default=90, validate=validate.Range(min=1, max=3660))


class PullListReply(Reply):
    """Jobs within the hours and what was left out and why: found bad first, then the most worth.

    `found_bad_before` was found bad long ago on machines seen at work since: asked about, and no job.
    """

    jobs = fields.List(fields.Dict(), required=True)
    found_bad_before = fields.List(fields.Dict(), required=True)
    machines = fields.List(fields.String(), required=True)
    hours = fields.Float(required=True)
    left_out = fields.List(fields.Dict(), required=True)


class DueWorkReply(Reply):
    """Scheduled renewals due, the overdue first; those also by machine, first where waiting costs most."""

    due = fields.List(fields.Dict(), required=True)
    overdue = fields.Integer(required=True)
    overdue_machines = fields.List(fields.Dict(), required=True)
    hours = fields.Float(required=True)


class OutlookReply(Reply):
    """Failures expected, with a prediction interval."""

    expected = fields.Float(required=True)
    low = fields.Integer(required=True)
    high = fields.Integer(required=True)
    components = fields.List(fields.Dict(), required=True)
    by_machine = fields.List(fields.Dict(), required=True)
    found_bad = fields.List(fields.Dict(), required=True)
    found_bad_before = fields.List(fields.Dict(), required=True)


class SparesReply(Reply):
    """Stock to hold and what it covers."""

    stock = fields.Integer(required=True)
    covers = fields.Float(required=True)
    expected = fields.Float(required=True)


class RenewalReply(Reply):
    """The cheapest interval; null with the reason where there is none."""

    interval = fields.Float(required=True, allow_none=True)
    reason = fields.String(required=True)


class IntervalsReply(Reply):
    """What each choice of interval costs over the months."""

    choices = fields.List(fields.Dict(), required=True)
    cheapest = fields.String(required=True)


class BlockReply(Reply):
    """How often to renew the block; null with the reason where it does not pay."""

    interval = fields.Float(required=True, allow_none=True)
    reason = fields.String(required=True)
    parts = fields.List(fields.Dict(), required=True)


class ChangesReply(Reply):
    """Alerts that hold up among all looks, with the rate of false ones; the looks of one component where asked."""

    alerts = fields.List(fields.Dict(), required=True)
    looks = fields.List(fields.Dict(), required=True)
    false_alarm_rate = fields.Float(required=True)
    looks_made = fields.Integer(required=True)
    notes = fields.List(fields.String(), required=True)


class GroupsReply(Reply):
    """The shop against the others, its policy, and machines by use.

    `by_region` and `by_machine_use` hold groups of shops by what their settings say, and how many shops are in each;
    empty where the pool's members did not open it.
    """

    policy = fields.Dict(required=True, allow_none=True)
    by_use = fields.List(fields.Dict(), required=True)
    by_region = fields.List(fields.Dict(), required=True)
    by_machine_use = fields.List(fields.Dict(), required=True)


class LogReply(Reply):
    """Marks of how a shop's log is kept, and what speaks against trusting its chances."""

    shop = fields.Dict(required=True, allow_none=True)
    all_shops = fields.Dict(required=True, allow_none=True)
    covers = fields.String(required=True, metadata={"description": "which machines are in the figures, and which not"})


class ComparisonsReply(Reply):
    """Models against the class at equal distance and age."""

    models = fields.List(fields.Dict(), required=True)
    within = fields.List(fields.Dict(), required=True)
    notes = fields.List(fields.String(), required=True)
