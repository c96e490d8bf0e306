"""What a repair bill is told and what it answers. Money is `Decimal` in one currency, hours are labour hours."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from analytics.errors import AnalyticsError

Part = tuple[str, str | None]


class InvalidBill(AnalyticsError):
    """A price, chance or name that no bill can be made from."""


def _chance(field: str, value: float) -> None:
    if not (math.isfinite(value) and 0 <= value <= 1):
        raise InvalidBill(f"{field} must be a chance between 0 and 1, not {value}")


def _money(field: str, value: Decimal) -> None:
    if not isinstance(value, Decimal):
        raise InvalidBill(f"{field} must be an exact decimal, not {type(value).__name__}")
    if not value.is_finite() or value < 0:
        raise InvalidBill(f"{field} must be an amount of 0 or more, not {value}")


def _hours(field: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0):
        raise InvalidBill(f"{field} must be hours of 0 or more, not {value}")


@dataclass(frozen=True)
class ShopTerms:
    """What an hour costs here.

    `currency` is the ISO 4217 code, passed through; `minor_units` its decimals (EUR 2, JPY 0); `labour_factor`
    stretches every job (seized fasteners after salt).
    """

    rate_per_hour: Decimal
    currency: str
    minor_units: int = 2
    labour_factor: float = 1.0

    def __post_init__(self) -> None:
        _money("rate_per_hour", self.rate_per_hour)
        if not re.fullmatch(r"[A-Z]{3}", self.currency):
            raise InvalidBill(f"currency must be the three capitals of ISO 4217, like EUR, not '{self.currency}'")
        if not 0 <= self.minor_units <= 4:
            raise InvalidBill(f"minor_units must lie between 0 and 4, not {self.minor_units}")
        if not (math.isfinite(self.labour_factor) and self.labour_factor > 0):
            raise InvalidBill(f"labour_factor must be above 0, not {self.labour_factor}")


@dataclass(frozen=True)
class JobAccess:
    """Hours for what comes off, inside the job hours of every job behind it; `includes` lie open with it."""

    id: str
    hours: float
    includes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _hours(f"access group {self.id}: hours", self.hours)


@dataclass(frozen=True)
class PricedPart:
    """One part that is or may be due.

    Attributes
    ----------
    component, position
    certain : bool
        A failed check or a fact: it is on the bill whatever the chances.
    chance_bad_now, chance_in_season : float
        Chance that it is bad now; chance that it fails in the coming season if it is good now.
    job_hours : float
        Whole job, access included.
    part_cost : Decimal
    access_group : str
    consumables : tuple of str
        Seals, gaskets and fluids to have before opening.
    """

    component: str
    position: str | None
    certain: bool
    chance_bad_now: float
    chance_in_season: float
    job_hours: float
    part_cost: Decimal
    access_group: str
    consumables: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _chance(f"{self.component}: chance_bad_now", self.chance_bad_now)
        _chance(f"{self.component}: chance_in_season", self.chance_in_season)
        _hours(f"{self.component}: job_hours", self.job_hours)
        _money(f"{self.component}: part_cost", self.part_cost)

    @property
    def part(self) -> Part:
        """(component, position)."""
        return self.component, self.position


@dataclass(frozen=True)
class Consequence:
    """When `first` fails in use, `takes` goes with it with this chance (a boiled battery)."""

    first: Part
    takes: Part
    chance: float

    def __post_init__(self) -> None:
        _chance(f"consequence of {self.first[0]}: chance", self.chance)


@dataclass(frozen=True)
class BillLine:
    """One job: `section` is certain, likely or season; `alone` its price with access if nothing shares it."""

    component: str
    position: str | None
    section: str
    chance: float
    job_hours: float
    part_cost: Decimal
    alone: Decimal


@dataclass(frozen=True)
class MoneyRange:
    """Mean and the 10, 50 and 90 % points: one case in ten lies above `high`."""

    expected: Decimal
    low: Decimal
    median: Decimal
    high: Decimal


@dataclass(frozen=True)
class Bill:
    """What it will cost.

    Attributes
    ----------
    currency : str
    certain : Decimal
        Failed checks and facts, shared access once.
    likely : MoneyRange
        What the likely jobs add to that, in one visit.
    season : MoneyRange
        What the coming season may bring, each on its own visit.
    total : MoneyRange
        All three together; its points are not the sums of theirs.
    lines : tuple of BillLine
        Certain first, then likely, then season, the dearest expectation first in each.
    access_saved : Decimal
        What sharing access saves on the certain jobs.
    to_have : tuple of (part, what)
        Parts, seals, gaskets and fluids to have before opening, for certain and likely jobs.
    """

    currency: str
    certain: Decimal
    likely: MoneyRange
    season: MoneyRange
    total: MoneyRange
    lines: tuple[BillLine, ...]
    access_saved: Decimal
    to_have: tuple[tuple[Part, tuple[str, ...]], ...]


@dataclass(frozen=True)
class PriceTalk:
    """Facts for the seller's table, rounded: no false precision. `ask_off` is certain plus likely."""

    currency: str
    asking: Decimal
    certain: Decimal
    likely: Decimal
    season: Decimal
    ask_off: Decimal
    offer: Decimal
    bad_case: Decimal
