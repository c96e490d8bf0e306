"""How right were the predictions? Chances given at a landmark beside what followed.

Like with like: a part whose watching ended before the horizon is held against the chance over the time it was
watched, 1 - exp(-(H(exit) - H(landmark))), averaged over the posterior; one that failed, against the chance up to the
horizon's end or its machine's last visit, because until then it would have been seen to fail. A part removed for
another reason is watched to its removal; the failed parts that would have been removed later are held against a
little too long a time, so that with many early removals observed / expected reads a little low. The same questions at
the fixed horizon, by censoring weights (`censoring_weights`), have no such lean but more noise.

What cannot be checked on real data is whether the interval of a chance covers it: a part fails or it does not, and
its true chance is never seen. Only observed / expected, slope and scores are.

References: Brier (1950), Monthly Weather Review 78; Good (1952), J. R. Stat. Soc. B 14 (log score); `calibration`,
`followed`, `resampling` and `censoring_weights` name theirs.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analytics.backtest_types import Backtest, ComponentTally, Estimated, Judged, Scores, TopFew
from analytics.calibration import BANDS, bands_of, calibration, calibration_slope, tenths_of
from analytics.censoring_weights import brier_score, censoring_weights
from analytics.errors import InvalidObservations, TooFewEvents
from analytics.resampling import Resampling, divide, poisson_interval
from analytics.spells import Bools, Floats, Ints

FEWEST_FAILURES = 20.0
TOP = 3
SHOWN_MISSES = 20
_SMALLEST = 1e-9


def judge(judged: Judged, *, level: float = 0.9, seed: int = 0) -> Backtest:
    """Compare predictions with what followed.

    Parameters
    ----------
    judged : Judged
        One row an ending; the order of rows does not matter.
    level : float
        Of all intervals.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Backtest

    Raises
    ------
    InvalidObservations
        Columns that contradict each other, or a level outside 0 to 1.
    TooFewEvents
        Fewer than `FEWEST_FAILURES` failures followed, or nothing was watched to the horizon's end.
    """
    if not 0.0 < level < 1.0:
        raise InvalidObservations(f"level must lie between 0 and 1, not {level!r}")
    judged.check()
    weight, failed, model = judged.weight, judged.failed, judged.model
    failures = float((weight * failed).sum())
    if failures < FEWEST_FAILURES:
        raise TooFewEvents(
            f"{failures:.0f} failures followed among {weight.sum():,.0f} parts watched; {FEWEST_FAILURES:.0f} are the"
            " least to judge by. An earlier day, a longer horizon, records that run on further or more machines"
            " would help."
        )
    resampling = Resampling.of(judged.shop, judged.machine, level, seed)
    censoring = censoring_weights(judged.followed, failed, judged.complete, weight)
    return Backtest(
        level=level,
        resampled=resampling.unit,
        clusters=resampling.count,
        parts=float(weight.sum()),
        machines=len(np.unique(judged.machine)),
        shops=len(np.unique(judged.shop)),
        failures=failures,
        late_parts=float((weight * judged.late).sum()),
        watched_share=float((weight * np.where(judged.complete, 1.0, judged.followed)).sum() / weight.sum()),
        tenths=calibration(judged, tenths_of(model.horizon, weight), censoring, resampling),
        bands=calibration(judged, bands_of(model.horizon), censoring, resampling, BANDS),
        observed_expected=resampling.ratio(weight * failed, weight * model.watched),
        at_horizon=resampling.ratio(weight * censoring * failed, weight * censoring * model.horizon),
        slope=calibration_slope(model.watched, failed, weight, resampling),
        log_score=_scores(judged, _log_loss, resampling),
        brier=_scores(judged, _squared, resampling),
        brier_at_horizon=(
            brier_score(failed, model.horizon, censoring, weight),
            brier_score(failed, judged.pooled.horizon, censoring, weight),
            brier_score(failed, judged.prior.horizon, censoring, weight),
        ),
        top=top_few(judged),
        components=_components(judged, level),
        worst=_worst(judged),
    )


def _log_loss(failed: Bools, chance: Floats) -> Floats:
    p = np.clip(chance, _SMALLEST, 1.0 - _SMALLEST)
    return -np.where(failed, np.log(p), np.log1p(-p))


def _squared(failed: Bools, chance: Floats) -> Floats:
    return (failed - chance) ** 2


def _scores(judged: Judged, loss: Callable[[Bools, Floats], Floats], resampling: Resampling) -> Scores:
    """Mean loss a part over the time watched (log loss in nats), lower is better."""
    model, pooled, prior = (
        judged.weight * loss(judged.failed, f.watched) for f in (judged.model, judged.pooled, judged.prior)
    )
    total = judged.weight.sum()
    return Scores(
        float(model.sum() / total),
        float(pooled.sum() / total),
        float(prior.sum() / total),
        resampling.ratio(pooled - model, judged.weight),
        resampling.ratio(prior - model, judged.weight),
    )


def top_few(judged: Judged, size: int = TOP) -> TopFew:
    """Failures found in the first `size` parts of each machine's list by chance for the horizon.

    Equal chances stand in the order of `part`. A part known to be half failed (`analytics.followed`) counts half.
    """
    _, first, at = np.unique(judged.part, return_index=True, return_inverse=True)
    failed = np.asarray(np.bincount(at, judged.weight * judged.failed, len(first)), dtype=float)
    machine = judged.machine[first]
    found, by_pooled, by_prior = (
        _found(machine, forecasts.horizon[first], failed, size)
        for forecasts in (judged.model, judged.pooled, judged.prior)
    )
    _, at_machine, parts = np.unique(machine, return_inverse=True, return_counts=True)
    share = np.minimum(size, parts) / parts
    by_chance = float((failed * share[at_machine]).sum())
    hindsight = _found(machine, failed, failed, size)
    gain = divide(found - by_chance, hindsight - by_chance)
    return TopFew(size, len(parts), found, by_pooled, by_prior, by_chance, hindsight, gain)


def _found(machine: Ints, value: Floats, failed: Floats, size: int) -> float:
    order = np.lexsort((-value, machine))  # stable: equal values keep the order of parts
    starts = np.flatnonzero(np.concatenate([[True], np.diff(machine[order]) != 0]))
    rank = np.arange(len(order)) - np.repeat(starts, np.diff(np.append(starts, len(order))))
    return float(failed[order][rank < size].sum())


def _components(judged: Judged, level: float) -> tuple[ComponentTally, ...]:
    count = len(judged.components)
    parts, observed, expected = (
        np.bincount(judged.component, judged.weight * column, count)
        for column in (np.ones(len(judged)), judged.failed, judged.model.watched)
    )
    out = []
    for i in np.flatnonzero(parts):
        low, high = poisson_interval(float(observed[i]), level)
        of = float(expected[i])
        ratio = Estimated(divide(float(observed[i]), of), divide(low, of), divide(high, of))
        out.append(ComponentTally(judged.components[i], float(parts[i]), float(observed[i]), of, ratio))
    return tuple(out)


def _worst(judged: Judged) -> tuple[int, ...]:
    """Rows of at least half a part, by log loss over the time watched; the worst row of each part."""
    loss = np.where(judged.weight >= 0.5, _log_loss(judged.failed, judged.model.watched), -1.0)
    order = np.lexsort((judged.failed, judged.part, -loss))
    _, first = np.unique(judged.part[order], return_index=True)
    return tuple(int(i) for i in order[np.sort(first)][:SHOWN_MISSES] if loss[i] >= 0)
