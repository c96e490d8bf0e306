"""Is the life really Weibull? A test by age bins, and a corrected baseline where it is not.

On the scale of a cell's own fitted cumulative hazard H every Weibull life is exponential with rate 1, whatever its
scale and shape. Failures O and exposure E are counted in bins of H over all cells; O/E away from 1 is misfit
(Pearson chi-square, two degrees of freedom spent on the fit). A misfitting component gets the cumulative hazard

    Lambda(H) = integral of g over (0, H),   g constant in a bin, g_k ~ Gamma(O_k + c, E_k + c)

so that each model keeps its own time scale, and what the bins do not know (c counts of prior at 1) is carried into
the intervals. An additional floor of doubt stands for models that depart each in their own way.

Past the last data nothing is known of g: it goes back to 1, the Weibull fitted to all ages. From above it does so
slowly enough that the hazard of a part that wears out never falls on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from analytics.operational_time import SMALLEST_U, operational_units
from analytics.spells import Outcome, Quality, Spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PRIOR_COUNT = 6.0
MISFIT_P = 0.001
_EDGES = np.r_[0.0, np.geomspace(3e-4, 18.0, 23), np.inf]
_WIDTHS = np.r_[np.diff(_EDGES[:-1]), 0.0]  # nothing goes on past the last bin
_LOG_FIRST, _LOG_STEP = float(np.log(_EDGES[1])), float(np.log(_EDGES[2] / _EDGES[1]))
_SMALLEST = np.float32(1e-30)
_LEAST_EXPECTED = 8.0
_MANY = 200  # hazards a draw from which on one call a draw is quicker
_LAST_EXPECTED = 2.0  # expected failures left above the age at which the data are taken to end


@dataclass(frozen=True)
class Baseline:
    """Bins of H: `edges` (bins + 1,) from 0 to where the data end, `observed` and `expected` (bins,), p of the fit.

    What little lies past the last edge is counted in the last bin.
    """

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
    start = operational_units(s.start_km, s.start_days, clock_weight)

    def log_hazard(km: Floats, days: Floats) -> Floats:
        u = np.maximum(operational_units(km, days, clock_weight) - start, SMALLEST_U)
        return np.minimum(log_theta + shape * np.log(u), 50.0)

    entry, exit_ = log_hazard(s.entry_km, s.entry_days), log_hazard(s.exit_km, s.exit_days)
    lower = np.where(between, log_hazard(s.lower_km, s.lower_days), exit_)
    failed = np.where(between | (s.outcome == Outcome.FAILED), 1.0, 0.0)
    failed = s.weight * np.where(s.outcome == Outcome.RENEWED_REASON_UNKNOWN, share, failed)

    def inside(start: Floats, end: Floats) -> Floats:
        """How much of each stretch of H lies in each bin, (bins, n)."""
        return np.diff(np.clip(_EDGES[:, None], start, np.maximum(start, end)), axis=0)

    bins = len(_EDGES) - 1
    good, found = np.exp(lower[between]), np.exp(exit_[between])
    late = inside(good, found)
    observed: Floats = np.bincount(_bin(exit_), failed * ~between, bins) + late @ (
        failed[between] / np.maximum(found - good, 1e-12)
    )
    # a failure found late was at risk for half of the time in doubt
    expected = _below(lower, s.weight) - _below(entry, s.weight) + late @ (0.5 * s.weight[between])
    # bins for the test are cut by what was expected: stopping where many failed would make chance look like misfit;
    # those of the correction also where many failed, or a burst of early failures would be spread over long ages
    p_value = _p_value(*_merge(observed, expected, expected)[1:])
    return Baseline(*_merge(observed, expected, np.maximum(observed, expected)), p_value)


def _bin(log_hazard: Floats) -> Ints:
    """The bin in which each H lies; they are of one width in log H, the first and the last excepted."""
    step = (log_hazard - _LOG_FIRST) * (1.0 / _LOG_STEP) + 1.0
    return np.minimum(np.maximum(step, 0.0), len(_EDGES) - 2).astype(np.int64)


def _below(log_end: Floats, weight: Floats) -> Floats:
    """How much of the stretches of H from 0 to each end lies in each bin, weighted and added up, (bins,)."""
    within, end = _bin(log_end), np.exp(log_end)
    bins = len(_EDGES) - 1
    past = np.cumsum(np.bincount(within, weight, bins)[::-1])[::-1] - np.bincount(within, weight, bins)
    start = _EDGES[within]
    return np.bincount(within, weight * (end - start), bins) + np.where(past > 0, past, 0.0) * _WIDTHS


def _merge(observed: Floats, expected: Floats, enough: Floats) -> tuple[Floats, Floats, Floats]:
    """Join neighbouring bins, from the youngest on, until `enough` of observed or expected; the rest joins the last."""
    edges, kept = [0.0], []
    o = e = held = 0.0
    for k in range(len(observed)):
        o, e = o + observed[k], e + expected[k]
        held = max(o, e) if enough is not expected else e
        if held >= _LEAST_EXPECTED:
            kept.append([o, e])
            edges.append(float(_EDGES[k + 1]))
            o = e = 0.0
    if not kept:
        return np.array([0.0, _end_of(expected)]), np.array([o]), np.array([e])
    kept[-1][0] += o
    kept[-1][1] += e
    edges[-1] = max(_end_of(expected), 1.01 * edges[-2])
    counts = np.array(kept)
    return np.array(edges), counts[:, 0], counts[:, 1]


def _end_of(expected: Floats) -> float:
    """The edge above which next to nothing was watched."""
    above = np.cumsum(expected[::-1])[::-1]  # in this bin and all later ones
    return float(_EDGES[1:-1][np.argmax(np.r_[above[1:-1] < _LAST_EXPECTED, True])])


def _p_value(observed: Floats, expected: Floats) -> float:
    if len(observed) < 4:
        return 1.0
    # the scale is fitted by prior and pooling as well: compare the pattern, not the level
    expected = np.maximum(expected * observed.sum() / max(expected.sum(), 1e-9), 1e-6)
    statistic = float(((observed - expected) ** 2 / np.maximum(expected, 1.0)).sum())
    return float(chdtrc(len(observed) - 2, statistic))


@dataclass(frozen=True, eq=False)
class Bend:
    """Lambda(H) of one component: gain (bins, draws) constant within each bin, and Lambda at the edges.

    Another object is another bend, so that what several have in common can be kept by them.
    """

    edges: Floats
    gain: Floats
    at_edge: Floats  # (bins + 1, draws)
    shape: float

    @classmethod
    def of(cls, edges: Floats, gain: Floats, shape: float) -> Bend:
        """From bin edges (bins + 1,) and gains (bins, draws) of a life of about this Weibull shape."""
        at_edge = np.cumsum(gain * np.diff(edges)[:, None], axis=0)
        return cls(edges, gain, np.concatenate([np.zeros_like(gain[:1]), at_edge]), shape)

    def drawn(self, hazard: Floats) -> Floats:
        """Lambda with each draw's own gains; `hazard` is (draws, ...)."""
        draw = np.arange(len(hazard)).reshape(-1, *([1] * (hazard.ndim - 1)))
        if hazard.dtype == np.float32 and self._lines is not None:
            out = self._by_lines(hazard, draw, *self._lines)
        elif hazard.size > _MANY * len(hazard):  # straight lines between the edges, one draw after the other
            pairs = zip(hazard, self.at_edge.T, strict=True)
            out = np.stack([np.interp(own, self.edges, at_edge) for own, at_edge in pairs])
        else:
            bin_ = np.searchsorted(self.edges[1:-1], hazard)
            inside = np.minimum(hazard, self.edges[-1])
            out = self.at_edge[bin_, draw] + self.gain[bin_, draw] * (inside - self.edges[bin_])
        return out + self._past(hazard, self.gain[-1][draw])

    @cached_property
    def _lines(self) -> tuple[Ints, Floats, Floats] | None:
        """Where each step of log H begins among the lines of a draw, and the lines: Lambda at H = 0 and its slope.

        None where the edges are not those this module cuts bins at.
        """
        within = self.edges[1:-1] * (1 - 1e-5)
        near = np.searchsorted(_EDGES, within)
        if not np.allclose(_EDGES[near], self.edges[1:-1], rtol=1e-5, atol=0.0):
            return None
        first = np.searchsorted(within, _EDGES[:-1], side="right") * self.gain.shape[1]
        at_zero = self.at_edge[:-1] - self.gain * self.edges[:-1, None]
        return first, at_zero.astype(np.float32), self.gain.astype(np.float32)

    def _by_lines(self, hazard: Floats, draw: Ints, first: Ints, at_zero: Floats, slope: Floats) -> Floats:
        """Lambda in single precision up to the last edge; bins are worked out of log H, since searching takes long."""
        out = np.minimum(hazard, np.float32(self.edges[-1]))
        step = np.log(np.maximum(out, _SMALLEST))
        step -= np.float32(_LOG_FIRST)
        step *= np.float32(1.0 / _LOG_STEP)
        line = first.take(np.clip(np.floor(step) + 1.0, 0.0, len(first) - 1).astype(np.int64))
        line += draw
        out *= slope.take(line)
        out += at_zero.take(line)
        return out

    def mean(self, hazard: Floats) -> Floats:
        """Lambda with the mean gains."""
        at_edge, _, last = self.means
        return np.interp(hazard, self.edges, at_edge) + self._past(hazard, np.asarray(last))

    def _past(self, hazard: Floats, last: Floats) -> Floats:
        """What is added past the data."""
        out = np.zeros_like(hazard)
        past = hazard > self.edges[-1]
        if past.any():
            out[past] = past_data(hazard[past], self.edges[-1], self.fall, np.broadcast_to(last, hazard.shape)[past])
        return out

    @property
    def fall(self) -> float:
        """Power of H by which a gain above 1 falls past the data."""
        return 0.5 * max(1.0 - 1.0 / self.shape, 1e-6)

    @cached_property
    def means(self) -> tuple[Floats, Floats, float]:
        """Lambda at the edges, (bins + 1,), the gains, (bins,), and the last of them, all over the draws."""
        at_edge, gain = self.at_edge.mean(axis=1), self.gain.mean(axis=1)
        return at_edge, gain, float(gain[-1])


def past_data(hazard: Floats, end: Floats, fall: Floats | float, last: Floats) -> Floats:
    """What is added to Lambda past the data, where the last gain goes back to 1 as a power of H.

    The Weibull hazard rises as H**(1 - 1 / shape); a gain above 1 falls as half that power, one below 1 rises as H.
    """
    power = np.where(last > 1.0, -fall, 1.0)
    times = np.maximum(hazard / end, 1.0)
    back = np.exp(np.minimum(-np.log(last) / power, 50.0))  # where the gain is 1 again
    bent = last * (np.minimum(times, back) ** (1.0 + power) - 1.0) / (1.0 + power)
    return np.asarray(end * (bent + np.maximum(times - back, 0.0)))


def doubtful_tail(hazard: Floats, edge: Floats, sd: Floats, normal: Floats) -> Floats:
    """Cumulative hazard below the earliest failures, where nothing says that the Weibull still holds.

    Below `edge` H goes as H**(1 + sd * normal), with the mean left where it is; all arguments broadcast.
    Without this the chances of young parts are far too sure of themselves where lives are not quite Weibull.
    """
    below = np.clip(np.log(edge / np.maximum(hazard, 1e-300)), 0.0, 12.0)
    return hazard * np.exp(-below * sd * (normal + 0.5 * sd * below))
