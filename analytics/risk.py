"""This machine, these parts: the chance that each fails within the horizon, and that it is detectably bad now.

    P(fail in (u0, u1] | good at u0) = E[1 - exp(-(H(u1) - H(u0)))]

over the posterior of the component's life and, where a part's start is unknown, over its age by the renewal mixture
(`unknown_start`). The value is the mean; low and high are the equal-tailed interval of the true conditional chance.
All parts are worked together: `RiskTable` holds the fits of a catalogue side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.age_groups import groups_of
from analytics.component_fit import ComponentFit
from analytics.errors import InvalidObservations
from analytics.life_model_types import (
    Chance,
    Horizon,
    LifeSummary,
    PartState,
    Probability,
    WarningInterval,
)
from analytics.operational_time import REFERENCE_KM_PER_YEAR, YEARS_PER_UNIT
from analytics.own_history import weights_with_history
from analytics.risk_draws import RiskTable, quantiles, shuffled_normal
from analytics.spells import DAYS_PER_YEAR, Cell
from analytics.survival_draws import failure_chances

Floats = NDArray[np.float64]

# variance of hazards between machines of one model (riders, shops) that look alike: lognormal, by median and factor of
# one standard deviation; invented. Twice of it raises the hazard ahead by 1.5 % where a quarter of such parts have
# failed by this age, by 3.5 % where half have
BETWEEN_MACHINES = 0.05, 2.0
_BETWEEN = BETWEEN_MACHINES[0] * np.exp(np.log(BETWEEN_MACHINES[1]) * shuffled_normal(20160808))
_NO_WARNING = WarningInterval("none")


def assess(
    fits: RiskTable | Sequence[ComponentFit],
    states: Sequence[PartState],
    cell: Cell,
    horizon: Horizon,
    rate_km_per_day: float,
    *,
    level: float = 0.9,
    warning: Mapping[str, WarningInterval] | None = None,
    on_record: bool = True,
) -> list[Chance]:
    """Chances of each part of one machine.

    Parameters
    ----------
    fits : RiskTable or sequence of ComponentFit
        Pass a `RiskTable` made once where many machines are asked about.
    states : sequence of PartState
        One a part; `component` picks the fit.
    cell : Cell
        Make, family and model of the machine; none of them need be known to the fits.
    horizon : Horizon
        Whichever of distance and days this machine reaches first.
    rate_km_per_day : float
        Usage of this machine.
    level : float
        Of the credible intervals.
    warning : mapping of component to WarningInterval
        P-F intervals; a component without one is taken to fail without a sign.
    on_record : bool
        Whether the fits have seen this machine. If not, the age its parts have reached is evidence (`own_history`),
        and the chance is that on a machine of an average rider: how this one is ridden is in no record.

    Returns
    -------
    list of Chance, in the order of `states`.

    Raises
    ------
    InvalidObservations
        Naming the field that cannot be used.
    """
    (found,) = assess_over(
        fits, states, cell, [horizon], rate_km_per_day, level=level, warning=warning, on_record=on_record
    )
    return found


def assess_over(
    fits: RiskTable | Sequence[ComponentFit],
    states: Sequence[PartState],
    cell: Cell,
    horizons: Sequence[Horizon],
    rate_km_per_day: float,
    *,
    level: float = 0.9,
    warning: Mapping[str, WarningInterval] | None = None,
    on_record: bool = True,
) -> list[list[Chance]]:
    """`assess` over several horizons, one list each; what they have in common is worked once."""
    table = fits if isinstance(fits, RiskTable) else RiskTable.from_fits(fits)
    if not 0.0 < level < 1.0:
        raise InvalidObservations(f"level must lie between 0 and 1, not {level!r}")
    if not (np.isfinite(rate_km_per_day) and rate_km_per_day >= 0):
        raise InvalidObservations(f"rate_km_per_day must be a number of at least 0, not {rate_km_per_day!r}")
    ahead = [horizon.on_both_clocks(rate_km_per_day) for horizon in horizons]
    if not states:
        return [[] for _ in horizons]
    draws = table.draw(states, cell)
    groups = groups_of(states, draws, lambda some: table.draw_later(some, cell))
    window = np.array([_window((warning or {}).get(s.component, _NO_WARNING), s, rate_km_per_day) for s in states])
    windows = [(np.full(len(states), km), np.full(len(states), days)) for km, days in ahead]
    chances = failure_chances(groups, draws, [(window[:, 0], window[:, 1]), *windows], None if on_record else _BETWEEN)
    weight = draws.weight
    if not on_record:
        weight = weights_with_history(states, groups, draws, [table.fits[f] for f in draws.fit])
    bad_now, *seasons = _summaries(chances, weight, level)
    return [
        [
            Chance(s.component, s.position, in_season, bad, behind)
            for s, in_season, bad, behind in zip(states, season, bad_now, draws.evidence, strict=True)
        ]
        for season in seasons
    ]


def life_summary(
    fits: RiskTable | ComponentFit,
    cell: Cell,
    *,
    component: str | None = None,
    stratum: int = -1,
    position: str | None = None,
    quality: int = 0,
    level: float = 0.9,
) -> LifeSummary:
    """Life of a cell: Weibull scale and shape, B10 and B50, each with its interval.

    Lives are on the dominant clock at typical use (5,000 km a year): in km where distance weighs at least half,
    otherwise in years.
    """
    table = fits if isinstance(fits, RiskTable) else RiskTable.from_fits([fits])
    name = component if component is not None else table.fits[0].component
    state = PartState(name, 0.0, 0.0, 0.0, 0.0, position=position, stratum=stratum, quality=quality)
    draws = table.draw([state], cell)
    fit = table.fits[table.fit_of(name)]
    unit = "km" if fit.mean_clock_weight >= 0.5 else "years"
    scale = YEARS_PER_UNIT * (REFERENCE_KM_PER_YEAR if unit == "km" else 1.0)
    life = scale * np.exp(-draws.log_theta / draws.shape)
    lives = {share: life * (-np.log1p(-share)) ** (1.0 / draws.shape) for share in (0.1, 0.5)}
    # the middle, not the mean: lives have a long upper tail where data are few
    scale_of, shape_of, b10, b50 = (
        _median(values, draws.weight, level) for values in (life, draws.shape, lives[0.1], lives[0.5])
    )
    return LifeSummary(unit, fit.clock, fit.mean_clock_weight, scale_of, shape_of, b10, b50, draws.evidence[0])


def _median(values: Floats, weight: Floats, level: float) -> Probability:
    middle, low, high = quantiles(values, weight, (0.5, 0.5 * (1 - level), 0.5 * (1 + level)))
    return Probability(float(middle[0]), float(low[0]), float(high[0]), level)


def _window(warning: WarningInterval, state: PartState, rate: float) -> tuple[float, float]:
    """Distance and days over which a fault can be found now.

    A part that fails hidden may have failed since it was last known good; never looked at, one year of this
    machine's use stands in (common practice, no source: looked at once a year).
    """
    if warning.kind == "none":
        return 0.0, 0.0
    if warning.kind == "hidden":
        if state.last_good_km is not None and state.last_good_days is not None:
            return state.machine_km - state.last_good_km, state.machine_days - state.last_good_days
        return rate * DAYS_PER_YEAR, DAYS_PER_YEAR
    days = None if warning.months is None else warning.months * DAYS_PER_YEAR / 12
    if warning.km is not None and days is None and rate <= 0:
        return warning.km, 0.0
    km, covered = Horizon(warning.km, days).on_both_clocks(rate)
    return km, covered


def _summaries(chances: Sequence[Floats], weight: Floats, level: float) -> list[list[Probability]]:
    """Mean and interval of each part, in one list a window."""
    both, weights = np.concatenate(chances), np.concatenate([weight] * len(chances))
    value = (both * weights).sum(axis=1)
    low, high = quantiles(both, weights, (0.5 * (1 - level), 0.5 * (1 + level)))
    value = np.minimum(value, 1.0)
    ends = np.minimum(low, value), np.minimum(np.maximum(high, value), 1.0)
    found = [Probability(v, a, b, level) for v, a, b in zip(*(e.tolist() for e in (value, *ends)), strict=True)]
    return [found[i : i + len(weight)] for i in range(0, len(found), len(weight))]
