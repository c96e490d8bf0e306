"""Does a component's rate of failure change by build date, over the calendar, or with a campaign? With an alert list.

Question answered: are parts of some build, or of some time, failing more (or less) than the same parts of other
builds and times, at equal distance and age?
Failures seen in each period are held against those expected from the fitted lives (`failures_seen`), and that ratio
against the ratio of all other periods, so that a level that is off everywhere is no drift. Beside single periods a
steady trend is tested. Builds are looked at model by model, the calendar over all models, and parts fitted in a
campaign against the others of the models it concerned.
Failures found at a check count when they are taken to have come, which is before they were found: those of the last
time on record are not all found yet. Where many are found so, periods closer to the end than nine in ten finds take
are not judged, and no word in a trend.
What is left to chance: the number in the period, the ratio of the other periods, and `LEVEL_SD`, by which groups of
machines differ for reasons nobody planned (riders, shops).

The alert list keeps the expected share of false alerts at `FALSE_SHARE` (Benjamini & Hochberg 1995) over all looks
of all components; where nothing changed anywhere that is the chance that the list holds any alert at all.
Sources: negative binomial predictive chances as in `failures_seen`; trend score test, Cox & Lewis 1966, with
expected failures in place of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from scipy.special import ndtr, ndtri

from analytics.errors import InvalidObservations
from analytics.failures_seen import (
    HazardAlong,
    SpellFailures,
    hazard_along,
    predictive_chances,
    ratio_interval,
    spell_failures,
)
from analytics.life_model_types import Probability
from analytics.risk_draws import RiskTable
from analytics.spells import Bools, Cell, Floats, Ints, Outcome, Quality, Removal, Spells

FALSE_SHARE = 0.05
LEVEL_SD = 0.1  # of the log of a group's rate, for no reason: riders and shops
LEAST_EXPECTED = 3.0  # failures expected below which a period is not judged; what was seen has no say in that
BUILD, CALENDAR, CAMPAIGN = "build date", "calendar", "campaign"
MORE, FEWER, STEADY, NOT_ENOUGH = "more failures", "fewer failures", "no change", "not enough data"
FOUND_LATE = 0.05  # share of failures found at a check from which the calendar's last periods wait for finds
_BY_CAMPAIGN = (Removal.CAMPAIGN, Removal.UPGRADE)


@dataclass(frozen=True)
class Look:
    """One period (or trend) of one component against the others.

    Attributes
    ----------
    component, scale : str
        scale is "build date", "calendar" or "campaign".
    cell : Cell or None
        The model; None for all.
    period : str
        "2015", "2015 half 2", "trend", "fitted in a campaign".
    seen, expected : float
        Failures; expected at the level of the other periods.
    ratio : Probability
        Seen over expected, with the exact Poisson interval; of a trend the factor by which the rate changes in a year.
    p_value : float
        Two-sided; nan where there is not enough to judge.
    finding : str
        "more failures" and "fewer failures" only after `alerts`.
    """

    component: str
    scale: str
    cell: Cell | None
    period: str
    seen: float
    expected: float
    ratio: Probability
    p_value: float
    finding: str


def looks(
    table: RiskTable, component: str, spells: Spells, new_day: Floats, *, months: int = 12, level: float = 0.9
) -> list[Look]:
    """Every period and trend of one component; pass those of all components to `alerts` together.

    Parameters
    ----------
    table : RiskTable
        Holding the component's fit.
    component : str
    spells : Spells
        Its life records; parts of unknown start, and used ones, are left out.
    new_day : (machines,) float
        Ordinal of the day each machine was new, by `spells.machine`; nan where not known.
    months : int
        Length of a period: 12 or 6.
    level : float
        Of the intervals.

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    InvalidObservations
        Another length of period.
    """
    if months not in (6, 12):
        raise InvalidObservations(f"months: a period has 6 or 12, not {months!r}")
    table.fit_of(component)
    mine = spells.subset(spells.known_start & (spells.quality != Quality.USED) & ~np.isnan(new_day[spells.machine]))
    if not len(mine):
        return []
    hazard = hazard_along(table, component, mine)
    counted = spell_failures(table, component, mine, hazard)
    born = new_day[mine.machine]
    found = _by_calendar(component, mine, born, (hazard, counted), months, level)
    for c in np.unique(mine.cell).tolist():
        at = np.flatnonzero(mine.cell == c)
        period = _period_of(born[at], months)
        # machines built that day carry the part they were built with: what was fitted later is no word on the batch
        first = mine.start_days[at] <= 0
        seen, expected = counted.seen[at][first], counted.expected[at][first]
        found += _judged(component, BUILD, mine.cells[c], (period[first], seen, expected), months, level)
    return found + _by_campaign(component, mine, counted, level)


def alerts(found: Sequence[Look], *, false_share: float = FALSE_SHARE) -> list[Look]:
    """The looks that hold up among all of them, the surest first.

    Where nothing changed, the list is empty but for `false_share` of the times it is made; where something did, that
    is the expected share of its false entries.
    """
    judged = sorted((look for look in found if look.p_value == look.p_value), key=lambda look: look.p_value)
    limit = false_share * np.arange(1, len(judged) + 1) / max(len(judged), 1)
    held = np.flatnonzero(np.array([look.p_value for look in judged]) <= limit)
    kept = judged[: int(held[-1]) + 1] if len(held) else []
    return [_named(look) for look in kept]


def _named(look: Look) -> Look:
    worse = look.ratio.value > 1 if look.period == "trend" else look.seen > look.expected
    return replace(look, finding=MORE if worse else FEWER)


def _period_of(day: Floats, months: int) -> Ints:
    """Number of the period each ordinal day is in, counted from year 0."""
    year = np.array([date.fromordinal(int(d)).year for d in day], dtype=np.int64)
    if months == 12:
        return year
    half = np.array([date.fromordinal(int(d)).month > 6 for d in day], dtype=np.int64)
    return 2 * year + half


def _start_of(period: int, months: int) -> float:
    if months == 12:
        return float(date(period, 1, 1).toordinal())
    return float(date(period // 2, 7 if period % 2 else 1, 1).toordinal())


def _label(period: int, months: int) -> str:
    return str(period) if months == 12 else f"{period // 2} half {period % 2 + 1}"


def _by_calendar(
    component: str,
    spells: Spells,
    born: Floats,
    counting: tuple[HazardAlong, SpellFailures],
    months: int,
    level: float,
) -> list[Look]:
    """Expected failures cut at the ends of the periods, along each spell's even use."""
    hazard, counted = counting
    entry = born + spells.entry_days
    end = entry + counted.along * (spells.exit_days - spells.entry_days)
    first, last = _period_of(entry, months), _period_of(end, months)
    count = last - first + 1
    rows = np.repeat(np.arange(len(spells)), count)
    period = first[rows] + np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    names = np.unique(period)
    starts = {p: _start_of(p, months) for p in range(int(names[0]), int(names[-1]) + 2)}
    opens = np.array([starts[p] for p in period.tolist()])
    closes = np.array([starts[p + 1] for p in period.tolist()])
    run = np.maximum(spells.exit_days - spells.entry_days, 1e-9)[rows]
    low, high = ((np.clip(b, entry[rows], end[rows]) - entry[rows]) / run for b in (opens, closes))
    expected = spells.weight[rows] * np.maximum(hazard(rows, np.minimum(high, 1.0)) - hazard(rows, low), 0.0)
    seen = np.where(period == last[rows], counted.seen[rows], 0.0)
    ends = float((born + spells.exit_days).max())
    waits = np.array([starts[p + 1] > ends - _days_to_find(spells) for p in names.tolist()])
    return _judged(component, CALENDAR, None, (period, seen, expected), months, level, unsure=waits)


def _days_to_find(spells: Spells) -> float:
    """How long nine in ten failures that a check found may have waited for it; 0 where hardly any was found so."""
    late = spells.outcome == Outcome.FAILED_BETWEEN
    failed = late | (spells.outcome == Outcome.FAILED)
    if late.sum() < FOUND_LATE * failed.sum() or not late.any():
        return 0.0
    return float(np.quantile(spells.exit_days[late] - spells.lower_days[late], 0.9))


def _judged(
    component: str,
    scale: str,
    cell: Cell | None,
    by_row: tuple[Ints, Floats, Floats],
    months: int,
    level: float,
    *,
    unsure: Bools | None = None,
) -> list[Look]:
    """Looks at each period and the trend; those `unsure`, (periods,), are shown but neither judged nor held against."""
    period, seen, expected = by_row
    names, at = np.unique(period, return_inverse=True)
    if len(names) < 2:
        return []
    o, e = (np.bincount(at, x, len(names)).astype(float) for x in (seen, expected))
    sure = np.ones(len(names), dtype=bool) if unsure is None else ~unsure
    out = []
    for k, name in enumerate(names):
        held = np.flatnonzero(sure | (np.arange(len(names)) == k))
        look = _against_rest(
            component, scale, cell, _label(name, months), (o[held], e[held]), int(np.searchsorted(held, k)), level
        )
        out.append(look if sure[k] else replace(look, p_value=float("nan"), finding=NOT_ENOUGH))
    years = np.asarray(names * (months / 12.0), dtype=float)
    return [*out, _trend(component, scale, cell, (years[sure], o[sure], e[sure]), level)]


def _against_rest(
    component: str, scale: str, cell: Cell | None, name: str, counts: tuple[Floats, Floats], k: int, level: float
) -> Look:
    seen, expected = float(counts[0][k]), float(counts[1][k])
    rest_seen, rest = float(counts[0].sum()) - seen, float(counts[1].sum()) - expected
    at_level = expected * (rest_seen + 0.5) / (rest + 0.5)
    enough = at_level >= LEAST_EXPECTED and rest >= LEAST_EXPECTED
    doubt = 1.0 / (rest_seen + 0.5) + LEVEL_SD**2
    more, fewer = predictive_chances(np.array([seen]), np.array([at_level]), np.array([doubt]))
    p = min(2.0 * float(min(more[0], fewer[0])), 1.0) if enough else float("nan")
    ratio = ratio_interval(seen, at_level, level)
    return Look(component, scale, cell, name, seen, at_level, ratio, p, STEADY if enough else NOT_ENOUGH)


def _trend(
    component: str, scale: str, cell: Cell | None, by_period: tuple[Floats, Floats, Floats], level: float
) -> Look:
    """Score test of a steady change, in a year, of the rate against what was expected."""
    years, seen, expected = by_period
    at_level = expected * (seen.sum() + 0.5) / (expected.sum() + 0.5)
    variance = at_level + (LEVEL_SD * at_level) ** 2
    middle = float(at_level @ years) / max(float(at_level.sum()), 1e-9)
    away = years - middle
    score, information = float(away @ (seen - at_level)), float(away**2 @ at_level)
    spread = float(np.sqrt(away**2 @ variance))
    judged = at_level >= LEAST_EXPECTED
    enough = judged.sum() >= 3 and spread > 0
    if not enough:
        nothing = Probability(float("nan"), 0.0, float("inf"), level)
        return Look(
            component, scale, cell, "trend", float(seen.sum()), float(at_level.sum()), nothing, float("nan"), NOT_ENOUGH
        )
    slope, sd = score / information, spread / information
    z = float(ndtri(0.5 + level / 2))
    value, low, high = (float(np.exp(x)) for x in (slope, slope - z * sd, slope + z * sd))
    ratio = Probability(value, low, high, level)
    p = 2.0 * float(ndtr(-abs(slope) / sd))
    return Look(component, scale, cell, "trend", float(seen.sum()), float(at_level.sum()), ratio, p, STEADY)


def _by_campaign(component: str, spells: Spells, counted: SpellFailures, level: float) -> list[Look]:
    """Parts fitted in a campaign, or as an upgrade, against the other parts of the models that had one."""
    order = np.lexsort((spells.entry_days, spells.position, spells.machine))
    before, after = order[:-1], order[1:]
    follows = (spells.machine[before] == spells.machine[after]) & (spells.position[before] == spells.position[after])
    follows &= np.isin(spells.removal[before], _BY_CAMPAIGN) & (
        np.abs(spells.start_days[after] - spells.exit_days[before]) < 1.0
    )
    fitted = np.zeros(len(spells), dtype=bool)
    fitted[after[follows]] = True
    found = []
    for c in np.unique(spells.cell[fitted]).tolist():
        mine = spells.cell == c
        o = np.array([counted.seen[mine & fitted].sum(), counted.seen[mine & ~fitted].sum()])
        e = np.array([counted.expected[mine & fitted].sum(), counted.expected[mine & ~fitted].sum()])
        found.append(_against_rest(component, CAMPAIGN, spells.cells[c], "fitted in a campaign", (o, e), 0, level))
    return found
