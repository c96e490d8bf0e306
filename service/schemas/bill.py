"""Bills and prices: amounts are decimals in quotes, so that no cent is lost on the way."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, validate

from service.imports.currencies import IN_USE
from service.schemas.asked import Asked
from service.schemas.fields import Name, Number, Reply
from service.schemas.plan import CautionReply
from service.schemas.ranking import EstimateReply, RankingAsked
from service.schemas.records import KnownAtQuery

AMOUNT = r"^[0-9]{1,9}(\.[0-9]{1,4})?$"


class Money(fields.String):
    """An amount of 0 or more as a decimal in quotes."""

    def __init__(self, **kwargs: Any) -> None:
        fits = validate.Regexp(AMOUNT, error="Write an amount like 145.00, without currency or separators.")
        super().__init__(validate=fits, metadata={"pattern": AMOUNT, "examples": ["145.00"]}, **kwargs)


class Currency(fields.String):
    """A currency in use, ISO 4217."""

    def __init__(self, **kwargs: Any) -> None:
        known = validate.OneOf(sorted(IN_USE), error="Write the three capitals of a currency in use, such as EUR.")
        super().__init__(validate=known, **kwargs)


class NamedPart(Asked):
    """A part; without a position: one of them, which is not said."""

    component = Name(required=True, most=60)
    position = Name(allow_none=True, load_default=None, most=40)


class BelievedPart(NamedPart):
    """A part with its chance of being bad now, from whatever was found."""

    chance_bad = Number(required=True, validate=validate.Range(min=0, max=1))


class BillTerms(Asked):
    """Whose prices, and what is asked for the machine."""

    hourly_rate = Money(allow_none=True, load_default=None)
    currency = Currency(allow_none=True, load_default=None)
    labour_factor = Number(load_default=1.0, validate=validate.Range(min=0.5, max=3))
    asking_price = Money(allow_none=True, load_default=None)


class BillAsked(RankingAsked, BillTerms):
    """A machine, what was found bad on it, and what else is believed of it."""

    found_bad = fields.List(fields.Nested(NamedPart), load_default=list, validate=validate.Length(max=200))
    chances = fields.List(fields.Nested(BelievedPart), load_default=list, validate=validate.Length(max=200))


class BillQuery(KnownAtQuery):
    """Whose prices, and what is asked for the machine."""

    hourly_rate = Money(load_default=None)
    currency = Currency(load_default=None)
    labour_factor = fields.Float(load_default=1.0, validate=validate.Range(min=0.5, max=3))
    asking_price = Money(load_default=None)


class PartPrice(Asked):
    """The shop's own price of a part."""

    component = Name(required=True, most=60)
    price = Money(required=True)


class PricesAsked(Asked):
    """The shop's whole price list; what it does not name costs what the catalogue says."""

    currency = Currency(required=True)
    hourly_rate = Money(allow_none=True, load_default=None)
    parts = fields.List(fields.Nested(PartPrice), load_default=list, validate=validate.Length(max=500))


class PriceReply(Reply):
    """A price and where it comes from."""

    component = fields.String(required=True)
    name = fields.String(required=True)
    price = fields.String(required=True)
    source = fields.String(required=True)


class PricesReply(Reply):
    """Every price a bill of this shop is made from."""

    currency = fields.String(required=True)
    hourly_rate = fields.String(required=True)
    hourly_rate_source = fields.String(required=True)
    parts = fields.List(fields.Nested(PriceReply), required=True)
    notes = fields.List(fields.String(), required=True)


class MoneyRangeReply(Reply):
    """Mean and the 10, 50 and 90 % points: one case in ten lies above `high`."""

    expected = fields.String(required=True)
    low = fields.String(required=True)
    median = fields.String(required=True)
    high = fields.String(required=True)


class BillLineReply(Reply):
    """One job; `alone` is its price if nothing shares its access."""

    component = fields.String(required=True)
    name = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    section = fields.String(required=True)
    safety_class = fields.String(required=True)
    chance = fields.Float(required=True)
    job_hours = fields.Float(required=True)
    part_price = fields.String(required=True)
    price_source = fields.String(required=True)
    alone = fields.String(required=True)


class ToHaveReply(Reply):
    """What to have at hand before a job is opened; read the cautions first."""

    component = fields.String(required=True)
    name = fields.String(required=True)
    position = fields.String(allow_none=True, required=True)
    cautions = fields.List(fields.Nested(CautionReply), required=True)
    items = fields.List(fields.String(), required=True)
    mark = fields.String(required=True)


class PriceTalkReply(Reply):
    """Rounded amounts and the points to make at the seller's table."""

    asking = fields.String(required=True)
    certain = fields.String(required=True)
    likely = fields.String(required=True)
    season = fields.String(required=True)
    ask_off = fields.String(required=True)
    offer = fields.String(required=True)
    bad_case = fields.String(required=True)
    points = fields.List(fields.String(), required=True)


class BillReply(Reply):
    """Certain, likely and season risk apart, and all together."""

    currency = fields.String(required=True)
    hourly_rate = fields.String(required=True)
    certain = fields.String(required=True)
    likely = fields.Nested(MoneyRangeReply, required=True)
    season = fields.Nested(MoneyRangeReply, required=True)
    total = fields.Nested(MoneyRangeReply, required=True)
    access_saved = fields.String(required=True)
    lines = fields.List(fields.Nested(BillLineReply), required=True)
    to_have = fields.List(fields.Nested(ToHaveReply), required=True)
    sellers_list = fields.List(fields.String(), required=True)
    price_talk = fields.Nested(PriceTalkReply, allow_none=True, required=True)
    estimate = fields.Nested(EstimateReply, required=True)
    notes = fields.List(fields.String(), required=True)
