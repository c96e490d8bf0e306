"""Raw lines of a job card."""

from __future__ import annotations

from marshmallow import fields, validate

from service.imports.card_dates import ORDERS
from service.schemas.asked import Asked
from service.schemas.fields import Name, PartialDate, Reply


class CardTextAsked(Asked):
    """One card of one machine on record, line by line as somebody wrote it."""

    machine = Name(required=True, metadata={"description": "the shop's own reference"})
    card = Name(required=True)
    lines = fields.List(Name(most=400), required=True, validate=validate.Length(min=1, max=50))
    date = PartialDate(load_default=None, allow_none=True)
    date_order = fields.String(load_default=None, allow_none=True, validate=validate.OneOf(ORDERS))
    drives_on = fields.String(load_default=None, allow_none=True, validate=validate.OneOf(("left", "right")))


class CardTextReply(Reply):
    """The lines written down (none where the same card was there) and what they were read as."""

    job_lines = fields.List(fields.UUID(), required=True)
    reading = fields.Dict(required=True)
