"""What will it cost? Certain, likely and season risk, as a mean and a range.

Certain and likely jobs are done in one visit: what comes off comes off once, so the access hours of a group are
counted once, and not at all where a wider cover lies open. Season failures come one by one: each pays its own
access, and may take another part with it. Faults that are possible but not likely now count with the season.

The range is that of the money over what may turn out bad, drawn part by part (seeded Monte Carlo), parts
independent of each other but for consequences. Hours and part prices are taken as given: their own spread is not
in the range.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
from numpy.typing import NDArray

from analytics.access import way_in
from analytics.pricing_types import (
    Bill,
    BillLine,
    Consequence,
    InvalidBill,
    JobAccess,
    MoneyRange,
    Part,
    PricedPart,
    PriceTalk,
    ShopTerms,
)

DRAWS = 20_000
LIKELY_FROM = 0.2  # chance bad now from which a job is listed as likely (own choice)


def part_cost_from_hours(part_labour_hours: float, terms: ShopTerms) -> Decimal:
    """Price of a part the catalogue gives in hours of labour it is worth (an invented prior)."""
    return Decimal(str(part_labour_hours)) * terms.rate_per_hour


def repair_bill(
    parts: Sequence[PricedPart],
    groups: Sequence[JobAccess],
    terms: ShopTerms,
    consequences: Sequence[Consequence] = (),
    *,
    seed: int,
    draws: int = DRAWS,
    likely_from: float = LIKELY_FROM,
) -> Bill:
    """Price what is found and what is feared.

    Parameters
    ----------
    parts : sequence of PricedPart
    groups : sequence of JobAccess
        Every group the parts name.
    terms : ShopTerms
    consequences : sequence of Consequence
        Applied to failures in the season. Parts not priced are passed over.
    seed, draws : int
        Of the simulation.
    likely_from : float
        Chance bad now from which a job counts as likely.

    Raises
    ------
    InvalidBill
        If a part or group is doubled or missing, or a job takes less time than its access.
    """
    by_group = _check(parts, groups)
    certain = [p for p in parts if p.certain]
    likely = [p for p in parts if not p.certain and p.chance_bad_now >= likely_from]
    rng = np.random.default_rng(seed)
    together, baseline = _one_visit(certain, likely, by_group, terms, rng, draws)
    season = _season(parts, consequences, terms, rng, draws, likely_from)
    alone = sum((_alone(p, terms) for p in certain), Decimal(0))
    return Bill(
        currency=terms.currency,
        certain=_exact(baseline, terms),
        likely=_range(together, terms),
        season=_range(season, terms),
        total=_range(float(baseline) + together + season, terms),
        lines=_lines(certain, likely, parts, terms),
        access_saved=_exact(alone - baseline, terms),
        to_have=tuple((p.part, p.consumables) for p in [*certain, *likely]),
    )


def price_talk(bill: Bill, asking: Decimal) -> PriceTalk:
    """What to ask off: certain and likely; the season's risk is the buyer's and is shown apart.

    `bad_case` is what the machine then costs in one case of ten or worse: offer and the 90 % point of the bill.
    """
    if not asking.is_finite() or asking <= 0:
        raise InvalidBill(f"asking price must be above 0, not {asking}")
    off = min(for_talk(bill.certain + bill.likely.expected), asking)
    offer = asking - off
    return PriceTalk(
        currency=bill.currency,
        asking=asking,
        certain=for_talk(bill.certain),
        likely=for_talk(bill.likely.expected),
        season=for_talk(bill.season.expected),
        ask_off=off,
        offer=offer,
        bad_case=offer + for_talk(bill.total.high),
    )


def for_talk(amount: Decimal) -> Decimal:
    """Rounded as people say it: to 5 below 100, to 10 below 1,000, to 50 above."""
    step = Decimal(5) if amount < 100 else Decimal(10) if amount < 1000 else Decimal(50)
    return (amount / step).quantize(Decimal(1), rounding=ROUND_HALF_EVEN) * step


def _check(parts: Sequence[PricedPart], groups: Sequence[JobAccess]) -> dict[str, JobAccess]:
    by_group = {g.id: g for g in groups}
    if len(by_group) < len(groups):
        raise InvalidBill("an access group is given twice; give each id once")
    missing = [i for g in groups for i in g.includes if i not in by_group]
    if missing:
        raise InvalidBill(f"access group '{missing[0]}' is included by another but not given")
    if len({p.part for p in parts}) < len(parts):
        raise InvalidBill("a part is given twice; give each component and position once")
    for part in parts:
        if part.access_group not in by_group:
            raise InvalidBill(f"{part.component}: access group '{part.access_group}' is not among the groups")
        if part.job_hours < by_group[part.access_group].hours - 1e-9:
            raise InvalidBill(
                f"{part.component}: job_hours {part.job_hours:g} must include the access group's "
                f"{by_group[part.access_group].hours:g} h"
            )
    return by_group


def _labour(hours: float, terms: ShopTerms) -> Decimal:
    return Decimal(str(hours)) * Decimal(str(terms.labour_factor)) * terms.rate_per_hour


def _alone(part: PricedPart, terms: ShopTerms) -> Decimal:
    return part.part_cost + _labour(part.job_hours, terms)


def _behind_cover(part: PricedPart, groups: Mapping[str, JobAccess], terms: ShopTerms) -> Decimal:
    """Price of a job once its cover is off."""
    return _alone(part, terms) - _labour(groups[part.access_group].hours, terms)


def _access(wanted: set[str], groups: Mapping[str, JobAccess], terms: ShopTerms) -> Decimal:
    """Price of opening the wanted groups, each once, the cheapest way."""
    ways = way_in(wanted, groups, {g.id: g.hours for g in groups.values()})
    return sum((_labour(groups[g].hours, terms) for g in set(ways.values())), Decimal(0))


def _one_visit(
    certain: Sequence[PricedPart],
    likely: Sequence[PricedPart],
    groups: Mapping[str, JobAccess],
    terms: ShopTerms,
    rng: np.random.Generator,
    draws: int,
) -> tuple[NDArray[np.float64], Decimal]:
    """What the likely jobs add in each draw, shape (draws,), and the price of the certain ones."""
    fixed = {p.access_group for p in certain}
    opened = _access(fixed, groups, terms)
    baseline = sum((_behind_cover(p, groups, terms) for p in certain), opened)
    if not likely:
        return np.zeros(draws), baseline
    bad = rng.random((draws, len(likely))) < np.array([p.chance_bad_now for p in likely])
    added = bad @ np.array([float(_behind_cover(p, groups, terms)) for p in likely])
    names = sorted({p.access_group for p in likely})
    wanted = np.column_stack([bad[:, [p.access_group == g for p in likely]].any(axis=1) for g in names])
    patterns, which = np.unique(wanted, axis=0, return_inverse=True)
    extra = [
        float(_access(fixed | {g for g, on in zip(names, pattern, strict=True) if on}, groups, terms) - opened)
        for pattern in patterns
    ]
    return added + np.array(extra)[which.reshape(-1)], baseline


def _season(
    parts: Sequence[PricedPart],
    consequences: Sequence[Consequence],
    terms: ShopTerms,
    rng: np.random.Generator,
    draws: int,
    likely_from: float,
) -> NDArray[np.float64]:
    """Money of the season in each draw: parts not renewed today that fail, and what they take with them."""
    index = {p.part: i for i, p in enumerate(parts)}
    if not parts:
        return np.zeros(draws)
    fails = rng.random((draws, len(parts))) < np.array([_season_chance(p, likely_from) for p in parts])
    links = [(index[c.first], index[c.takes], c.chance) for c in consequences if {c.first, c.takes} <= index.keys()]
    hits = [(first, takes, rng.random(draws) < chance) for first, takes, chance in links]
    for _ in hits:  # a chain of consequences is at most as long as their number
        for first, takes, hit in hits:
            fails[:, takes] |= fails[:, first] & hit
    return fails @ np.array([float(_alone(p, terms)) for p in parts])


def _season_chance(part: PricedPart, likely_from: float) -> float:
    """Chance of a bill in the season. A certain job is done today and the new part taken as good for the season."""
    if part.certain:
        return 0.0
    good_now = 1 - part.chance_bad_now
    hidden = part.chance_bad_now if part.chance_bad_now < likely_from else 0.0
    return hidden + good_now * part.chance_in_season


def _lines(
    certain: Sequence[PricedPart], likely: Sequence[PricedPart], parts: Sequence[PricedPart], terms: ShopTerms
) -> tuple[BillLine, ...]:
    listed: set[Part] = {p.part for p in [*certain, *likely]}
    rest = [p for p in parts if p.part not in listed]
    chances = (
        [("certain", p, 1.0) for p in certain]
        + [("likely", p, p.chance_bad_now) for p in likely]
        + [("season", p, _season_chance(p, 1.0)) for p in rest]
    )
    order = {"certain": 0, "likely": 1, "season": 2}
    lines = [
        BillLine(p.component, p.position, section, chance, p.job_hours, p.part_cost, _exact(_alone(p, terms), terms))
        for section, p, chance in chances
    ]
    return tuple(sorted(lines, key=lambda b: (order[b.section], -b.chance * float(b.alone), b.component)))


def _exact(amount: Decimal, terms: ShopTerms) -> Decimal:
    return amount.quantize(Decimal(1).scaleb(-terms.minor_units), rounding=ROUND_HALF_EVEN)


def _range(drawn: NDArray[np.float64], terms: ShopTerms) -> MoneyRange:
    low, median, high = np.quantile(drawn, [0.1, 0.5, 0.9])
    return MoneyRange(*(_exact(Decimal(repr(float(x))), terms) for x in (drawn.mean(), low, median, high)))
