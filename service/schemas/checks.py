"""Checks, limits, symptoms and facts as they are shown."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.evidence import LimitUsedReply
from service.schemas.fields import Name, Reply
from service.schemas.plan import AccessReply, CautionReply, CheckTextReply
from service.schemas.records import KnownAtQuery


class CheckListedReply(Reply):
    """A check in the list."""

    id = fields.String(required=True)
    title = fields.String(required=True)
    quick_variant_of = fields.String(allow_none=True, required=True)
    minutes = fields.Float(required=True)
    access = fields.Nested(AccessReply, required=True)
    kit = fields.String(required=True)
    permission = fields.String(required=True)
    components = fields.List(fields.String(), required=True)
    speaks_for_the_set = fields.String(allow_none=True, required=True)


class ChecksReply(Reply):
    """Every check and quick variant."""

    version = fields.String(required=True)
    checks = fields.List(fields.Nested(CheckListedReply), required=True)


class CheckReply(CheckListedReply, CheckTextReply):
    """A check in full; read `cautions` before `steps`."""

    tools = fields.List(fields.String(), required=True)
    quantities = fields.List(fields.String(), required=True, metadata={"description": "what can be read at it"})
    targets = fields.List(fields.Dict(), required=True)


class LimitsQuery(KnownAtQuery):
    """Which limits."""

    check = Name(load_default=None, most=16)
    region = Name(load_default=None, most=60)


class LimitOnFileReply(LimitUsedReply):
    """A limit on file; `judges` is false for a published figure of some other machine."""

    check = fields.String(required=True)
    component = fields.String(allow_none=True, required=True)
    machine = fields.String(allow_none=True, required=True)
    condition = fields.String(allow_none=True, required=True)
    judges = fields.Boolean(required=True)


class LimitsReply(Reply):
    """Limits on file, and the regions that have legal ones."""

    version = fields.String(required=True)
    regions = fields.List(fields.String(), required=True)
    limits = fields.List(fields.Nested(LimitOnFileReply), required=True)


class SymptomReply(Reply):
    """A symptom; read `cautions` before `note`."""

    id = fields.String(required=True)
    title = fields.String(required=True)
    cautions = fields.List(fields.Nested(CautionReply), required=True)
    stop_riding = fields.Boolean(required=True)
    by_position = fields.Boolean(required=True)
    group = fields.String(required=True)
    ratios = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    note = fields.String(allow_none=True, required=True)
    mark = fields.String(required=True)


class SymptomsReply(Reply):
    """Every symptom."""

    version = fields.String(required=True)
    symptoms = fields.List(fields.Nested(SymptomReply), required=True)


class FactReply(Reply):
    """A fact of a machine's history."""

    id = fields.String(required=True)
    title = fields.String(required=True)
    group = fields.String(allow_none=True, required=True)
    ratios = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    note = fields.String(allow_none=True, required=True)
    mild = fields.Dict(
        allow_none=True, required=True, metadata={"description": "a lesser form; its ratios stand for the row's"}
    )
    voids_checks = fields.List(fields.String(), required=True)
    mark = fields.String(required=True)


class FactsReply(Reply):
    """Every fact."""

    version = fields.String(required=True)
    facts = fields.List(fields.Nested(FactReply), required=True)
