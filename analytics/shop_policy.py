"""Does a shop's habit pass for a strength or hide a weakness?

Question answered: at one shop few of these parts fail. Are they better there, or renewed before they can?
Failures a part (the naive ratio) leave out for how far each part was watched: a part renewed on purpose at 30,000 km
could not fail at 35,000. Against that stands the censored analysis: failures over those expected from the pooled life
of the same models over the distance and time each part was really watched. Where the first looks good and the second
agrees with the others, the policy makes the difference, not the part.

Sources: observed over expected (standardised ratio), as in epidemiology, Breslow & Day 1987; a gamma prior worth
`PRIOR_FAILURES` at 1 shrinks shops with little to say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analytics.errors import InvalidObservations
from analytics.fleet_draws import LifeKey, joint_lives
from analytics.life_model_types import Probability
from analytics.new_life import bent_hazard
from analytics.operational_time import operational_units
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Floats, Outcome, Removal, Spells

PRIOR_FAILURES = 4.0  # own choice
RENEWS_BY_POLICY = 0.1  # own choice: share of parts taken out on schedule from which a shop counts as having a policy
LEAST_FAILURES = 5.0

HIDES, AS_OTHERS, MORE, FEWER = "policy hides failures", "as the others", "more failures", "fewer failures"
NOT_ENOUGH = "not enough data"


@dataclass(frozen=True)
class ShopPolicy:
    """One shop against all others, for one component.

    `scheduled_share` is the share of its parts renewed on purpose, `scheduled_km` their median age then (nan if
    none). `naive_ratio` compares failures a part, `censored_ratio` failures over expected.
    """

    shop: str
    parts: float
    failures: float
    expected: float
    scheduled_share: float
    scheduled_km: float
    naive_ratio: Probability
    censored_ratio: Probability
    finding: str


def shop_policies(table: RiskTable, component: str, spells: Spells, *, level: float = 0.9) -> list[ShopPolicy]:
    """Every shop against the others.

    Parameters
    ----------
    table : RiskTable
        Holding the component's pooled fit.
    component : str
    spells : Spells
        Its life records; parts of unknown start are left out.
    level : float

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    InvalidObservations
        Fewer than two shops.
    """
    table.fit_of(component)
    known = spells.subset(spells.known_start)
    shops = np.unique(known.shop)
    if len(shops) < 2:
        raise InvalidObservations("spells: a shop can only be compared with another; there is but one")
    expected = known.weight * expected_failures(table, component, known)
    failed = known.weight * np.isin(known.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN))
    planned = known.removal == Removal.SCHEDULED
    out = []
    for shop in shops.tolist():
        mine = known.shop == shop
        parts, rest = float(known.weight[mine].sum()), float(known.weight[~mine].sum())
        seen, others = float(failed[mine].sum()), float(failed[~mine].sum())
        own_expected, rest_expected = float(expected[mine].sum()), float(expected[~mine].sum())
        naive = _ratio(seen / parts, others / rest, 1 / (seen + 0.5) + 1 / (others + 0.5), level)
        shrunk = (seen + PRIOR_FAILURES) / (own_expected + PRIOR_FAILURES)
        censored = _ratio(
            shrunk, others / max(rest_expected, 1e-9), 1 / (seen + PRIOR_FAILURES) + 1 / (others + 0.5), level
        )
        share = float(known.weight[mine & planned].sum() / parts)
        ages = (known.exit_km - known.start_km)[mine & planned]
        out.append(
            ShopPolicy(
                shop=known.shops[shop] if shop < len(known.shops) else str(shop),
                parts=parts,
                failures=seen,
                expected=own_expected,
                scheduled_share=share,
                scheduled_km=float(np.median(ages)) if len(ages) else float("nan"),
                naive_ratio=naive,
                censored_ratio=censored,
                finding=_finding(naive, censored, share, max(seen, own_expected)),
            )
        )
    return out


def expected_failures(table: RiskTable, component: str, spells: Spells) -> Floats:
    """Failures each spell of known start would have had under the pooled life, (n,)."""
    codes = np.stack([spells.cell, spells.stratum, spells.position, spells.quality])
    kinds, which = np.unique(codes, axis=1, return_inverse=True)
    keys = [
        LifeKey(component, spells.cells[c], s, spells.positions[p] if p >= 0 else None, q)
        for c, s, p, q in kinds.T.tolist()
    ] or [LifeKey(component, Cell("", "", ""))]
    lives, out = joint_lives(table, keys), np.zeros(len(spells))
    for k in range(kinds.shape[1]):
        at = np.flatnonzero(which.ravel() == k)

        def hazard(clock: str, at: np.ndarray = at, k: int = k) -> Floats:
            km, days = (getattr(spells, f"{clock}_{c}")[at] - getattr(spells, f"start_{c}")[at] for c in ("km", "days"))
            u = np.maximum(operational_units(km[None], days[None], lives.clock_weight[:, None]), 1e-9)
            log_h = lives.log_theta[:, k, None] + lives.shape[:, k, None] * np.log(u)
            return bent_hazard(log_h, lives.bend, lives.tail)

        out[at] = np.maximum(hazard("exit") - hazard("entry"), 0.0).mean(axis=0)
    return out


def _ratio(one: float, other: float, variance: float, level: float) -> Probability:
    """Ratio of two rates with a lognormal interval; a rate of 0 gives a ratio of 0 and an open interval."""
    if other <= 0 or one <= 0:
        return Probability(0.0 if one <= 0 < other else float("nan"), 0.0, float("inf"), level)
    spread = float(ndtri(0.5 + level / 2)) * float(np.sqrt(variance))
    value = one / other
    return Probability(value, value * float(np.exp(-spread)), value * float(np.exp(spread)), level)


def _finding(naive: Probability, censored: Probability, scheduled: float, weight: float) -> str:
    if weight < LEAST_FAILURES:
        return NOT_ENOUGH
    if censored.low > 1:
        return MORE
    looks_good = scheduled >= RENEWS_BY_POLICY and naive.high < 1
    if looks_good and censored.high >= 1:
        return HIDES
    return FEWER if censored.high < 1 else AS_OTHERS
