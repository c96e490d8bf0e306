"""Inspections as they are started, added to and shown."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.asked import Asked
from service.schemas.evidence import MOST, FactAsked, JudgedReply, MeasurementAsked, SymptomAsked
from service.schemas.fields import Distance, Name, Number, Reply, Text, YesNo
from service.schemas.plan import KITS, PERMISSIONS, CheckTextReply, LeftOutReply, PlanLineReply, SafetyReply
from service.schemas.ranking import (
    ChanceReply,
    HistoryItem,
    MachineDescription,
    MoveReply,
    NotCountedReply,
    SafetyDefectReply,
)
from service.schemas.records import KnownAtQuery, PageQuery

TEXT_MOST = 4000


def text_field(**kwargs: Any) -> fields.String:
    """Free text of some length."""
    return Text(load_default="", most=TEXT_MOST, **kwargs)


class InspectionAsked(Asked):
    """A machine, described or on record, what is known and seen of it, and what this person has."""

    machine = fields.Nested(MachineDescription, allow_none=True, load_default=None)
    machine_id = fields.UUID(allow_none=True, load_default=None)
    as_of = fields.Date(allow_none=True, load_default=None)
    usage = fields.Nested(Distance, allow_none=True, load_default=None)
    history = fields.List(fields.Nested(HistoryItem), load_default=list, validate=validate.Length(max=2000))
    symptoms = fields.List(fields.Nested(SymptomAsked), load_default=list, validate=validate.Length(max=MOST))
    facts = fields.List(fields.Nested(FactAsked), load_default=list, validate=validate.Length(max=MOST))
    minutes = Number(load_default=30.0, validate=validate.Range(min=1, max=1440))
    kit = fields.String(load_default="pocket", validate=validate.OneOf(KITS))
    permission = fields.String(load_default="look_only", validate=validate.OneOf(PERMISSIONS))
    engine_cold = YesNo(load_default=True)
    engine_runs = YesNo(load_default=True)
    key_has_been_on = YesNo(load_default=False)
    ambient_celsius = Number(allow_none=True, load_default=None, validate=validate.Range(min=-60, max=60))
    region = Name(allow_none=True, load_default=None, most=60)
    people = fields.List(Name(most=80), load_default=list, validate=validate.Length(max=10))
    notes = text_field()

    @validates_schema
    def _one_machine(self, data: dict[str, Any], **kwargs: Any) -> None:
        if (data.get("machine") is None) == (data.get("machine_id") is None):
            raise ValidationError("Describe the machine, or give the id of one on record: one of the two.", "machine")
        if data.get("machine_id") is not None and (data.get("history") or data.get("usage")):
            raise ValidationError("The history of a machine on record comes from its cards; add it there.", "history")


class FindingAsked(MeasurementAsked):
    """What a check found; readings are judged at once."""

    note = text_field()
    minutes_spent = Number(allow_none=True, load_default=None, validate=validate.Range(min=0, max=1440))
    corrects = fields.UUID(
        allow_none=True,
        load_default=None,
        metadata={"description": "id of an earlier finding of this inspection that this one takes the place of"},
    )


class StripDownAsked(Asked):
    """Was it the part?"""

    component = Name(required=True, most=60)
    position = Name(allow_none=True, load_default=None, most=40)
    really_bad = YesNo(required=True)
    found_on = fields.Date(allow_none=True, load_default=None)
    note = text_field()


class InspectionsQuery(PageQuery, KnownAtQuery):
    """Which inspections."""

    machine_id = fields.UUID(load_default=None)
    open = fields.Boolean(load_default=None, metadata={"description": "true: not closed yet; false: closed"})


class PhotoQuery(Asked):
    """What a photo shows."""

    finding_id = fields.UUID(load_default=None)
    caption = Text(load_default="", most=200)


class PhotoFile(Asked):
    """The picture."""

    photo = fields.Raw(
        required=True,
        error_messages={"required": "Send the picture as the form's part named photo."},
        metadata={"type": "string", "format": "binary", "description": "JPEG, PNG or WebP"},
    )


class PhotoReply(Reply):
    """A photo of an inspection."""

    id = fields.UUID(required=True)
    finding_id = fields.UUID(allow_none=True, required=True)
    content_type = fields.String(required=True)
    size_bytes = fields.Integer(required=True)
    sha256 = fields.String(required=True)
    caption = fields.String(required=True)
    recorded_at = fields.DateTime(required=True)


class StripDownReply(Reply):
    """What a part turned out to be."""

    id = fields.UUID(required=True)
    component = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    really_bad = fields.Boolean(required=True)
    found_on = fields.Date(required=True)
    note = fields.String(required=True)
    recorded_at = fields.DateTime(required=True)


class FindingReply(JudgedReply):
    """A finding with how it was judged."""

    id = fields.UUID(required=True)
    component = fields.String(allow_none=True, required=True)
    position = fields.String(allow_none=True, required=True)
    engine_state = fields.String(allow_none=True, required=True)
    readings = fields.List(fields.Dict(), required=True)
    conditions = fields.Dict(required=True)
    note = fields.String(required=True)
    minutes_spent = fields.Float(allow_none=True, required=True)
    recorded_at = fields.DateTime(required=True)
    superseded = fields.Boolean(required=True)


class PosteriorReply(Reply):
    """One part with its chance of being bad now, before and after all evidence, and what moved it."""

    component = fields.String(required=True)
    name = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    safety_class = fields.String(required=True)
    known_bad = fields.Boolean(required=True)
    chance_bad_now = fields.Nested(ChanceReply, required=True)
    chance_bad_now_after = fields.Nested(ChanceReply, required=True)
    moved_by = fields.List(fields.Nested(MoveReply), required=True)
    not_counted = fields.List(fields.Nested(NotCountedReply), required=True)


class OutcomePartReply(Reply):
    """What an outcome would make of one part."""

    component = fields.String(required=True)
    chance_bad_now = fields.Float(required=True)
    chance_in_season = fields.Float(metadata={"description": "where the check reads a part number"})
    chance_while_kept = fields.Float(metadata={"description": "to fail within four years, where it reads a number"})
    worth_acting_on = fields.Boolean(
        required=True, metadata={"description": "whether the repair, or renewal on purpose, is the cheaper thing then"}
    )


class WouldChangeReply(Reply):
    """What an outcome of a check would change; `chance` is empty where each part has an outcome of its own."""

    outcome = fields.String(required=True)
    chance = fields.Float(allow_none=True, required=True)
    parts = fields.List(fields.Nested(OutcomePartReply), required=True)


class NextCheckReply(CheckTextReply):
    """A check that could be done now; read `cautions` before `steps`."""

    check = fields.String(required=True)
    title = fields.String(required=True)
    minutes = fields.Float(required=True)
    access = fields.Dict(required=True)
    worth = fields.Float(required=True)
    worth_per_minute = fields.Float(required=True)
    first = fields.List(
        fields.Dict(),
        required=True,
        metadata={"description": "checks it leans on, not done yet; minutes and worth hold them"},
    )
    would_change = fields.List(fields.Nested(WouldChangeReply), required=True)
    components = fields.List(fields.String(), required=True)


class RestPlanReply(Reply):
    """What to do with the minutes left."""

    minutes = fields.Float(required=True)
    minutes_left = fields.Float(required=True)
    minutes_used = fields.Float(required=True, metadata={"description": "of the minutes left, by the lines below"})
    kit = fields.String(required=True)
    permission = fields.String(required=True)
    open_groups = fields.List(fields.String(), required=True)
    currency = fields.String(required=True)
    next_best = fields.List(fields.Nested(NextCheckReply), required=True)
    follow_up = fields.List(
        fields.Nested(NextCheckReply),
        required=True,
        metadata={
            "description": "checks of the parts that the latest finding made likelier bad, the one worth most first"
        },
    )
    lines = fields.List(fields.Nested(PlanLineReply), required=True)
    to_repeat = fields.List(fields.Dict(), required=True)
    left_out = fields.List(fields.Nested(LeftOutReply), required=True)
    safety = fields.Nested(SafetyReply, required=True)
    one_permission_more = fields.Dict(allow_none=True, required=True)


class ChangeReply(Reply):
    """How one part's chance of being bad now was changed by a finding."""

    component = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    before = fields.Float(required=True)
    after = fields.Float(required=True)


class FoundReply(Reply):
    """A finding, what it changed, and what to do next. Safety defects come first, outside any ranking."""

    safety_defects = fields.List(fields.Nested(SafetyDefectReply), required=True)
    finding = fields.Nested(FindingReply, required=True)
    changed = fields.List(fields.Nested(ChangeReply), required=True)
    plan = fields.Nested(RestPlanReply, required=True)
    notes = fields.List(fields.String(), required=True)


class InspectionListedReply(Reply):
    """One inspection of the list."""

    id = fields.UUID(attribute="public_id", required=True)
    machine = fields.Dict(required=True)
    as_of = fields.Date(required=True)
    people = fields.List(fields.String(), required=True)
    started_at = fields.DateTime(required=True)
    closed_at = fields.DateTime(allow_none=True, required=True)


class InspectionsReply(Reply):
    """A page of inspections; `next` is the `after` of the next page, empty on the last."""

    inspections = fields.List(fields.Nested(InspectionListedReply), required=True)
    next = fields.UUID(allow_none=True, required=True)


class InspectionReply(Reply):
    """An inspection with where it stands: safety defects first, then the plan of the rest, then every part."""

    id = fields.UUID(required=True)
    machine_id = fields.UUID(allow_none=True, required=True)
    machine = fields.Dict(required=True)
    as_of = fields.Date(required=True)
    people = fields.List(fields.String(), required=True)
    notes = fields.String(required=True)
    circumstances = fields.Dict(required=True)
    history = fields.List(fields.Dict(), required=True)
    symptoms = fields.List(fields.Dict(), required=True)
    facts = fields.List(fields.Dict(), required=True)
    versions = fields.Dict(required=True)
    started_at = fields.DateTime(required=True)
    closed_at = fields.DateTime(allow_none=True, required=True)
    safety_defects = fields.List(fields.Nested(SafetyDefectReply), required=True)
    plan = fields.Nested(RestPlanReply, required=True)
    findings = fields.List(fields.Nested(FindingReply), required=True)
    posteriors = fields.List(fields.Nested(PosteriorReply), required=True)
    photos = fields.List(fields.Nested(PhotoReply), required=True)
    outcomes = fields.List(fields.Nested(StripDownReply), required=True)
    to_read = fields.List(fields.String(), required=True)
