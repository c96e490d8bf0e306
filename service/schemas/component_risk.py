"""Risk of a component on a model, as asked and shown."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.fields import Name, Reply
from service.schemas.records import KnownAtQuery
from service.vocabulary import QUALITIES


class RiskQuery(KnownAtQuery):
    """Which model and kind of part, on which clock, and as of when."""

    make = Name(required=True)
    model = Name(required=True)
    family = Name(load_default=None)
    position = Name(load_default=None, most=40)
    stratum = fields.Integer(
        load_default=None,
        validate=validate.Range(min=0, max=50),
        metadata={"description": "build stratum, from 0, the oldest"},
    )
    quality = fields.String(load_default="unknown", validate=validate.OneOf(QUALITIES))
    clock = fields.String(load_default="km", validate=validate.OneOf(("km", "days")))
    km_per_year = fields.Float(
        load_default=5_000.0,
        validate=validate.Range(min=1, max=200_000),
        metadata={"description": "usage that ties distance and age together"},
    )
    level = fields.Float(load_default=0.9, validate=validate.Range(min=0.5, max=0.999))


class RiskReply(Reply):
    """Curves by the age of a part; `estimated` is what the shop is served, `own` what its own records show alone."""

    component = fields.String(required=True)
    name = fields.String(required=True)
    machine = fields.Dict(required=True)
    part = fields.Dict(required=True)
    clock = fields.String(required=True)
    km_per_year = fields.Float(required=True)
    estimated = fields.Dict(
        required=True,
        allow_none=True,
        metadata={"description": "share still good by age, hazards by band; null where only failures are logged"},
    )
    evidence = fields.Dict(required=True, allow_none=True)
    own = fields.Dict(
        required=True,
        allow_none=True,
        metadata={"description": "curve with numbers at risk, hazards by band, from the shop's own records"},
    )
    published = fields.List(fields.Dict(), required=True, metadata={"description": "cells of the pool by distance"})
    available = fields.Dict(required=True, metadata={"description": "positions, strata and qualities to ask for"})
    flags = fields.List(fields.String(), required=True)
    estimate = fields.Dict(required=True)
