"""How good the checks turned out to be."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.fields import Reply


class SharesReply(Reply):
    """Chance of one outcome in one state of the part: now, with its interval, and as the catalogue started."""

    outcome = fields.String(required=True)
    value = fields.Float(required=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    level = fields.Float(required=True)
    prior = fields.Float(required=True)


class AccuracyReply(Reply):
    """What was learnt of one check on one part; `component` is empty for a check that speaks for a set."""

    check = fields.String(required=True)
    title = fields.String(required=True)
    component = fields.String(allow_none=True, required=True)
    engine_state = fields.String(allow_none=True, required=True)
    says = fields.String(required=True)
    opened = fields.Integer(required=True)
    unopened = fields.Integer(required=True)
    opened_passes = fields.Integer(required=True)
    given_bad = fields.List(fields.Nested(SharesReply), required=True)
    given_good = fields.List(fields.Nested(SharesReply), required=True)
    prior_weight_bad = fields.Float(required=True)
    prior_weight_good = fields.Float(required=True)


class AccuraciesReply(Reply):
    """Checks whose accuracy strip-downs have taught; all others stand on invented priors."""

    accuracies = fields.List(fields.Nested(AccuracyReply), required=True)
    notes = fields.List(fields.String(), required=True)
