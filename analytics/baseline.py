"""Is the life really Weibull? A test by age bins, and a corrected baseline where it is not.

On the scale of a cell's own fitted cumulative hazard H every Weibull life is exponential with rate 1, whatever its
scale and shape. Failures O and exposure E are counted in bins of H over all cells; O/E away from 1 is misfit
(Pearson chi-square, two degrees of freedom spent on the fit). A misfitting component gets the cumulative hazard

    Lambda(H) = integral of g over (0, H),   g constant in a bin, g_k ~ Gamma(O_k + c, E_k + c)

so that each model keeps its own time scale, and what the bins do not know (c counts of prior at 1) is carried into
the intervals. An additional floor of doubt stands for models that depart each in their own way.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from analytics.operational_time import SMALLEST_U, operational_units
from analytics.spells import Outcome, Quality, Spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PRIOR_COUNT = 6.0
MISFIT_P = 0.001
_EDGES = np.r_[0.0, np.geomspace(3e-4, 4.0, 20), np.inf]
_LEAST_EXPECTED = 8.0
_FAR = 1e3  # a cumulative hazard no part lives to see


@dataclass(frozen=True)
class Baseline:
    """Bins of H: `edges` (bins + 1,) from 0 to infinity, `observed` and `expected` (bins,), p of the fit."""

    edges: Floats
    observed: Floats
    expected: Floats
    p_value: float

    @property
    def is_weibull(self) -> bool:
        return self.p_value >= MISFIT_P


def baseline_of(spells: Spells, log_theta: Floats, shape: Floats, clock_weight: float, share: Floats) -> Baseline:
    """Observed and expected failures by bins of the fitted cumulative hazard.

    Parameters
    ----------
    spells : Spells
    log_theta, shape : (n,)
        Fitted life of each spell's cell.
    clock_weight : float
    share : (n,)
        Chance of each that a renewal nobody explained was a failure.
    """
    keep = spells.known_start & (spells.quality != Quality.USED)
    s, log_theta, shape, share = spells.subset(keep), log_theta[keep], shape[keep], share[keep]
    between = s.outcome == Outcome.FAILED_BETWEEN

    def hazard(km: Floats, days: Floats) -> Floats:
        u = np.maximum(operational_units(km - s.start_km, days - s.start_days, clock_weight), SMALLEST_U)
        return np.exp(np.minimum(log_theta + shape * np.log(u), 50.0))

    entry, exit_ = hazard(s.entry_km, s.entry_days), hazard(s.exit_km, s.exit_days)
    lower = np.where(between, hazard(s.lower_km, s.lower_days), exit_)
    failed = np.where(between | (s.outcome == Outcome.FAILED), 1.0, 0.0)
    failed = s.weight * np.where(s.outcome == Outcome.RENEWED_REASON_UNKNOWN, share, failed)
    width = np.maximum(exit_ - lower, 1e-12)
    observed, expected = np.zeros(len(_EDGES) - 1), np.zeros(len(_EDGES) - 1)
    for k, (low, high) in enumerate(pairwise(_EDGES)):

        def inside(start: Floats, end: Floats, low: float = low, high: float = high) -> Floats:
            return np.maximum(np.minimum(end, high) - np.maximum(start, low), 0.0)

        exact = (exit_ > low) & (exit_ <= high)
        observed[k] = (failed * np.where(between, inside(lower, exit_) / width, exact)).sum()
        # a failure found late was at risk for half of the time in doubt
        expected[k] = (s.weight * (inside(entry, lower) + np.where(between, 0.5 * inside(lower, exit_), 0.0))).sum()
    edges, observed, expected = _merge(observed, expected)
    return Baseline(edges, observed, expected, _p_value(observed, expected))


def _merge(observed: Floats, expected: Floats) -> tuple[Floats, Floats, Floats]:
    """Join neighbouring bins until each holds enough, from the youngest on; the rest joins the last."""
    edges, kept = [0.0], []
    o = e = 0.0
    for k in range(len(observed)):
        o, e = o + observed[k], e + expected[k]
        if max(o, e) >= _LEAST_EXPECTED:
            kept.append([o, e])
            edges.append(float(_EDGES[k + 1]))
            o = e = 0.0
    if not kept:
        return np.array([0.0, np.inf]), np.array([o]), np.array([e])
    kept[-1][0] += o
    kept[-1][1] += e
    edges[-1] = np.inf
    counts = np.array(kept)
    return np.array(edges), counts[:, 0], counts[:, 1]


def _p_value(observed: Floats, expected: Floats) -> float:
    if len(observed) < 4:
        return 1.0
    # the scale is fitted by prior and pooling as well: compare the pattern, not the level
    expected = np.maximum(expected * observed.sum() / max(expected.sum(), 1e-9), 1e-6)
    statistic = float(((observed - expected) ** 2 / np.maximum(expected, 1.0)).sum())
    return float(chi2.sf(statistic, len(observed) - 2))


@dataclass(frozen=True)
class Bend:
    """Lambda(H) of one component: gain (bins, draws) constant within each bin, and Lambda at the lower edges."""

    edges: Floats
    gain: Floats
    at_edge: Floats  # (bins, draws)
    mean_at_edge: Floats  # (bins + 1,): at the lower edges, and far beyond the last

    @classmethod
    def of(cls, edges: Floats, gain: Floats) -> Bend:
        """From bin edges (bins + 1,), the last infinite, and gains."""
        width = np.diff(np.minimum(edges, _FAR))[:, None]
        at_edge = np.concatenate([np.zeros_like(gain[:1]), np.cumsum(gain * width, axis=0)])
        return cls(edges, gain, at_edge[:-1], at_edge.mean(axis=1))

    def drawn(self, hazard: Floats) -> Floats:
        """Lambda with each draw's own gains; `hazard` is (draws, ...)."""
        bin_ = np.searchsorted(self.edges[1:-1], hazard)
        draw = np.arange(len(hazard)).reshape(-1, *([1] * (hazard.ndim - 1)))
        return self.at_edge[bin_, draw] + self.gain[bin_, draw] * (hazard - self.edges[bin_])

    def mean(self, hazard: Floats) -> Floats:
        """Lambda with the mean gains."""
        return np.interp(hazard, np.minimum(self.edges, _FAR), self.mean_at_edge)


def doubtful_tail(hazard: Floats, edge: Floats, sd: Floats, normal: Floats) -> Floats:
    """Cumulative hazard below the earliest failures, where nothing says that the Weibull still holds.

    Below `edge` H goes as H**(1 + sd * normal), with the mean left where it is; all arguments broadcast.
    Without this the chances of young parts are far too sure of themselves where lives are not quite Weibull.
    """
    below = np.clip(np.log(edge / np.maximum(hazard, 1e-300)), 0.0, 12.0)
    return hazard * np.exp(-below * sd * (normal + 0.5 * sd * below))
