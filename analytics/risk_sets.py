"""How many are at risk at each age, and how many fail there: the counting behind every curve.

A unit is at risk at age t if entry < t <= exit. Whole ages are counted in bins, others by one sort.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.observations import Floats, Ints, Observations, on_grid


@dataclass(frozen=True)
class RiskTable:
    """Weight at risk just before, and weight of events at, each age where either changes; shape (m,)."""

    time: Floats
    at_risk: Floats
    events: Floats
    units: float
    emptied_at: float | None
    notes: tuple[str, ...]


def risk_table(data: Observations, condition_at: float = 0.0) -> RiskTable:
    """Count the risk set of clean observations (interval-censored failures are not allowed here)."""
    bins = on_grid(data.entry), on_grid(data.exit)
    if bins[0] is not None and bins[1] is not None and bins[1].max() < max(1024, 4 * len(data)):
        time, at_risk, events = _count_bins(bins[0], bins[1], data)
    else:
        time, at_risk, events = _count_sorted(data)
    # Sums of fractional weights leave dust where the true figure is zero.
    at_risk[np.abs(at_risk) < 1e-9 * max(1.0, at_risk.max())] = 0.0
    keep = time > condition_at
    time, at_risk, events = time[keep], at_risk[keep], events[keep]
    emptied_at, notes = _gaps(time, at_risk, events, condition_at)
    return RiskTable(time, at_risk, events, float(data.weights.sum()), emptied_at, notes)


def _count_bins(entry: Ints, exit_: Ints, data: Observations) -> tuple[Floats, Floats, Floats]:
    """Ages, weight at risk just before and of events, counting whole ages in bins."""
    size = int(exit_.max()) + 1
    weight = data.weight
    entering = np.bincount(entry, weight, size)
    leaving = np.bincount(exit_, weight, size)
    # A product with the flag is several times faster than picking the failed rows.
    events = np.bincount(exit_, data.observed if weight is None else weight * data.observed, size)
    at_risk = np.append(0.0, np.cumsum(entering - leaving)[:-1])
    time = np.flatnonzero((entering > 0) | (leaving > 0))
    return time.astype(float), at_risk[time], events[time].astype(float)


def _count_sorted(data: Observations) -> tuple[Floats, Floats, Floats]:
    """The same for ages of any kind, by one sort; units that enter at 0 need no place in it."""
    late, weight = data.entry > 0, data.weights
    ages = np.concatenate([data.exit, data.entry[late]]).astype(float)
    order = np.argsort(ages)
    ages = ages[order]
    first = np.flatnonzero(np.append(True, ages[1:] != ages[:-1]))
    joined = weight[late]
    change = np.add.reduceat(np.concatenate([-weight, joined])[order], first)
    events = np.add.reduceat(np.concatenate([weight * data.observed, np.zeros(len(joined))])[order], first)
    at_risk = weight.sum() - joined.sum() + np.append(0.0, np.cumsum(change)[:-1])
    return ages[first], at_risk, events


def _gaps(time: Floats, at_risk: Floats, events: Floats, start: float) -> tuple[float | None, tuple[str, ...]]:
    """Where the risk set ran empty by failures, and what to tell the reader about ages nobody was watched at."""
    watched = np.flatnonzero(at_risk > 0)
    first, last = watched[0], watched[-1]
    notes = []
    opening = time[first - 1] if first > 0 else start
    if opening > start:
        notes.append(f"Nobody was watched before age {opening:g}: every figure is given survival to that age.")
    wiped = np.flatnonzero((events > 0) & (at_risk - events <= 1e-9 * at_risk))
    emptied_at = None
    if len(wiped) and wiped[0] < last:
        emptied_at = float(time[wiped[0]])
        notes.append(
            f"All {at_risk[wiped[0]]:g} at risk failed at age {emptied_at:g} though others were watched later: "
            "the share still good is 0 from there by arithmetic only. Condition on a later age."
        )
    if (at_risk[first : last + 1] <= 0).any():
        notes.append("At some ages in between nobody was watched: the curve is flat there for want of data.")
    return emptied_at, tuple(notes)
