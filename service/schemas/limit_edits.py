"""Limits a shop adds: for which machines, how far, where they were read, who wrote them and why."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.schemas.asked import Asked
from service.schemas.fields import Name, Number, PartialDate, Reply, Whole, YesNo

BOUNDS = ("pass_low", "pass_high", "marginal_low", "marginal_high")


def bound() -> Number:
    """One end of a band, in the unit of the limit unless another is named."""
    return Number(allow_none=True, load_default=None, validate=validate.Range(min=-1e9, max=1e9))


def year() -> Whole:
    """A model year."""
    return Whole(allow_none=True, load_default=None, validate=validate.Range(min=1885, max=2100))


class LimitEditAsked(Asked):
    """A figure of a model, of a family, or of a region's rules; it stands beside the catalogue's limit."""

    make = Name(allow_none=True, load_default=None)
    model = Name(allow_none=True, load_default=None)
    family = Name(allow_none=True, load_default=None)
    year_from = year()
    year_to = year()
    region = Name(allow_none=True, load_default=None, most=60)
    as_of = PartialDate(allow_none=True, load_default=None)
    unit = Name(allow_none=True, load_default=None, most=24)
    pass_low = bound()
    pass_high = bound()
    marginal_low = bound()
    marginal_high = bound()
    condition = Name(allow_none=True, load_default=None, most=200)
    source = Name(required=True, most=200)
    editor = Name(required=True)
    why = Name(required=True, most=400)
    withdrawn = YesNo(load_default=False)

    @validates_schema
    def _for_whom(self, data: dict[str, Any], **kwargs: Any) -> None:
        named = data["model"] is not None or data["family"] is not None
        if named and data["make"] is None:
            raise ValidationError("Give the make as well.", "make")
        if data["make"] is not None and not named:
            raise ValidationError("Give model or family: no limit holds for all of a make.", "model")
        if data["model"] is not None and data["family"] is not None:
            raise ValidationError("Give model or family, not both.", "family")
        if not named and (data["region"] is None or data["as_of"] is None):
            missing = "region" if data["region"] is None else "as_of"
            raise ValidationError("Give make and model, make and family, or the region with its date.", missing)
        first, last = data["year_from"], data["year_to"]
        if not named and (first or last):
            raise ValidationError("Years belong to a model or family.", "year_from" if first else "year_to")
        if first is not None and last is not None and last < first:
            raise ValidationError("lies before year_from.", "year_to")

    @validates_schema
    def _bands(self, data: dict[str, Any], **kwargs: Any) -> None:
        low, high, outer_low, outer_high = (data[name] for name in BOUNDS)
        if data["withdrawn"]:
            return
        if low is None and high is None:
            raise ValidationError("Give pass_low, pass_high or both.", "pass_low")
        if low is not None and high is not None and low > high:
            raise ValidationError("pass_low lies above pass_high.", "pass_low")
        if outer_low is not None and (low is None or outer_low > low):
            raise ValidationError("The marginal band must lie outside pass_low.", "marginal_low")
        if outer_high is not None and (high is None or outer_high < high):
            raise ValidationError("The marginal band must lie outside pass_high.", "marginal_high")


class LimitVersionReply(Reply):
    """One version of a limit that a shop added; `limit` is its name where a reading was judged by it."""

    limit = fields.String(required=True)
    version = fields.Integer(required=True)
    scope = fields.String(required=True)
    text = fields.String(required=True)
    document = fields.Dict(required=True)
    editor = fields.String(required=True)
    why = fields.String(required=True)
    recorded_at = fields.DateTime(required=True)
    in_force = fields.Boolean(required=True)


class LimitHistoryReply(Reply):
    """What the catalogue says, and every version the shop added, the oldest first."""

    limit = fields.String(required=True)
    check = fields.String(required=True)
    quantity = fields.String(required=True)
    unit = fields.String(required=True)
    catalogue = fields.Dict(required=True)
    versions = fields.List(fields.Nested(LimitVersionReply), required=True)
