"""What is asked and answered about the risks of one machine (design contract 3.2)."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.asked import Asked
from service.schemas.evidence import MOST, FactAsked, MeasurementAsked, SymptomAsked
from service.schemas.fields import Distance, Name, Number, PartialDate, Reply, Whole
from service.schemas.records import KnownAtAsked, KnownAtQuery
from service.vocabulary import QUALITIES

HISTORY_ACTIONS = ("renewed", "repaired", "original", "checked_good", "checked_bad")


class MachineDescription(Asked):
    """A machine that need not be on record."""

    make = Name(required=True)
    model = Name(required=True)
    family = Name(allow_none=True, load_default=None)
    model_year = Whole(allow_none=True, load_default=None, validate=validate.Range(min=1885, max=2100))
    built = PartialDate(allow_none=True, load_default=None)
    first_registered = PartialDate(allow_none=True, load_default=None)
    odometer = fields.Nested(Distance, allow_none=True, load_default=None)

    @validates_schema
    def _placed(self, data: dict[str, Any], **kwargs: Any) -> None:
        if all(data.get(name) is None for name in ("model_year", "built", "first_registered", "odometer")):
            raise ValidationError(
                "Give the odometer, or one of built, first_registered and model_year: without any of them"
                " nothing tells how far the machine has gone.",
                "odometer",
            )


class HorizonAsked(Asked):
    """How far ahead to look; whichever comes first where both are given."""

    distance = fields.Nested(Distance, allow_none=True, load_default=None)
    months = Number(allow_none=True, load_default=None, validate=validate.Range(min=0, max=240))

    @validates_schema
    def _some(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data.get("distance") is None and data.get("months") is None:
            raise ValidationError("Give distance, months or both.", "distance")


class HistoryItem(Asked):
    """What is known of one part. Renewed without date and odometer: by a former owner, when is unknown."""

    component = Name(required=True, most=60)
    position = Name(allow_none=True, load_default=None, most=40)
    action = fields.String(required=True, validate=validate.OneOf(HISTORY_ACTIONS))
    date = PartialDate(allow_none=True, load_default=None)
    odometer = fields.Nested(Distance, allow_none=True, load_default=None)
    quality = fields.String(load_default="unknown", validate=validate.OneOf(QUALITIES))


class RankingAsked(KnownAtAsked):
    """A machine, what is known of it, and how far ahead to look."""

    machine = fields.Nested(MachineDescription, required=True)
    as_of = fields.Date(load_default=None, allow_none=True)
    horizon = fields.Nested(
        HorizonAsked, load_default=lambda: {"distance": {"value": 5000.0, "unit": "km"}, "months": 12.0}
    )
    usage = fields.Nested(
        Distance,
        allow_none=True,
        load_default=None,
        metadata={"description": "Distance a year from now on; without it the machine's own mean so far."},
    )
    history = fields.List(fields.Nested(HistoryItem), load_default=list, validate=validate.Length(max=2000))
    level = Number(load_default=0.9, validate=validate.Range(min=0.5, max=0.99))
    symptoms = fields.List(fields.Nested(SymptomAsked), load_default=list, validate=validate.Length(max=MOST))
    facts = fields.List(fields.Nested(FactAsked), load_default=list, validate=validate.Length(max=MOST))
    measurements = fields.List(fields.Nested(MeasurementAsked), load_default=list, validate=validate.Length(max=MOST))


class MachineRankingQuery(KnownAtQuery):
    """How far ahead to look for a machine on record."""

    as_of = fields.Date(load_default=None, allow_none=True)
    distance_km = fields.Float(load_default=None, allow_none=True, validate=validate.Range(min=0, max=3_000_000))
    months = fields.Float(load_default=None, allow_none=True, validate=validate.Range(min=0, max=240))
    level = fields.Float(load_default=0.9, validate=validate.Range(min=0.5, max=0.99))


class ChanceReply(Reply):
    """A chance with its credible interval."""

    value = fields.Float(required=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    level = fields.Float(required=True)


class EvidenceReply(Reply):
    """What stands behind a chance."""

    failures = fields.Float(required=True)
    parts = fields.Float(required=True)
    machines = fields.Integer(required=True)
    shops = fields.Integer(required=True)
    exposure_km = fields.Float(required=True)
    exposure_years = fields.Float(required=True)
    prior_weight = fields.Float(required=True)
    clock = fields.String(required=True)
    known_as = fields.String(required=True)
    counts = fields.String(
        required=True,
        metadata={
            "description": "whose counts these are: in full; published cells of the pool (fixed grid, see /pool/cells);"
            " or own records only, where what the pool has is withheld for too few machines or shops"
        },
    )


class MoveReply(Reply):
    """What one piece of evidence did to a part: `factor` on its odds, `log_odds` its natural logarithm.

    Chances before and after differ by the sum of the log odds. `through_set`: it speaks of another part of a set.
    """

    evidence = fields.String(required=True)
    title = fields.String(required=True)
    log_odds = fields.Float(required=True)
    factor = fields.Float(required=True)
    through_set = fields.Boolean(required=True)
    note = fields.String(allow_none=True, required=True)


class NotCountedReply(Reply):
    """Evidence that names the part and was not counted, and why."""

    evidence = fields.String(required=True)
    title = fields.String(required=True)
    reason = fields.String(required=True)


class SafetyDefectReply(Reply):
    """A defect that stands outside any ranking."""

    outcome = fields.String(required=True)
    evidence = fields.String(required=True)
    title = fields.String(required=True)
    component = fields.String(allow_none=True, required=True)
    position = fields.String(allow_none=True, required=True)
    note = fields.String(required=True)


class PositionAfterReply(Reply):
    """The same of one position, where evidence tells positions apart that the records do not."""

    position = fields.String(required=True)
    chance_bad_now_after = fields.Nested(ChanceReply, required=True)
    moved_by = fields.List(fields.Nested(MoveReply), required=True)
    not_counted = fields.List(fields.Nested(NotCountedReply), required=True)


class RankedReply(Reply):
    """One part of the machine with its risk."""

    rank = fields.Integer(required=True)
    component = fields.String(required=True)
    name = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    safety_class = fields.String(required=True)
    chance_in_horizon = fields.Nested(
        ChanceReply,
        required=True,
        allow_none=True,
        metadata={"description": "null where the records hold hardly anything but failures: use the order alone"},
    )
    chance_bad_now = fields.Nested(ChanceReply, required=True, allow_none=True)
    evidence = fields.Nested(EvidenceReply, required=True)
    why = fields.String(required=True)
    run_km = fields.Dict(
        metadata={
            "description": "low and high, only where a clock was changed unread since the part went in: no figure is"
            " known then. high is null where even the day of the change is not; else it takes 60,000 km a year at most"
            " (invented)"
        }
    )
    # Only where symptoms, facts or measurements were given.
    chance_bad_now_after = fields.Nested(ChanceReply)
    moved_by = fields.List(fields.Nested(MoveReply))
    not_counted = fields.List(fields.Nested(NotCountedReply))
    by_position = fields.List(fields.Nested(PositionAfterReply))


class EstimateReply(Reply):
    """Which published set of fits answered."""

    version = fields.String(required=True)
    data_through = fields.Date(allow_none=True, required=True)


class RankingReply(Reply):
    """Every part of the machine, the likeliest to fail within the horizon first."""

    ranking = fields.List(fields.Nested(RankedReply), required=True)
    estimate = fields.Nested(EstimateReply, required=True)
    horizon = fields.Dict(required=True)
    notes = fields.List(fields.String(), required=True)
    safety = fields.List(
        fields.Nested(SafetyDefectReply), metadata={"description": "only where evidence was given; act on these first"}
    )
