"""How many renewals in each step of a horizon, and how likely is each number of them?

A part fails or is renewed on purpose; a new one takes its place and may fail again. Time is cut into equal steps; a
renewal is put in the middle of its step. All arrays may carry leading axes (parts, draws), worked together.

Source: the renewal equation on a lattice, Xie 1989; error of second order in the step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.spells import Floats


@dataclass(frozen=True)
class StepChances:
    """Chance that one part's life ends in each step, by failure and by a planned renewal, (steps, ...)."""

    failed: Floats
    planned: Floats | None = None

    @property
    def either(self) -> Floats:
        return self.failed if self.planned is None else self.failed + self.planned


def step_chances(hazard: Floats, due: Floats | None = None) -> StepChances:
    """Chances by step of a part that works now.

    Parameters
    ----------
    hazard : array (steps + 1, ...)
        Cumulative hazard at the edges of the steps.
    due : array (...) or None
        Step, counted as a real number from now, at which the part is renewed on purpose; below 0 counts as 0.
    """
    alive = np.exp(np.minimum(hazard[:1] - hazard, 0.0))
    failed = alive[:-1] - alive[1:]
    if due is None:
        return StepChances(failed)
    at = np.maximum(np.asarray(due, dtype=float), 0.0)[None]
    begin = np.arange(len(failed)).reshape(-1, *([1] * (at.ndim - 1)))
    share = np.clip(at - begin, 0.0, 1.0)  # of each step, how much lies before the renewal
    failed = failed * share
    inside = (at >= begin) & (at < begin + 1)
    return StepChances(failed, np.where(inside, alive[:-1] - failed, 0.0))


def lags(hazard_of_new: Floats, due: Floats | None = None) -> StepChances:
    """Chances of a new part by whole steps since it was fitted, from `hazard_of_new` (steps + 1, ...).

    The hazard is wanted at 0, 1/2, 3/2, ... steps, so that lag k gathers lives of about k steps. A planned renewal
    between two whole lags is shared out between them, so that lives cut short are as long on the mean as they are:
    put to the nearest lag, an interval of less than half a step would take no time at all.
    """
    if due is None:
        return step_chances(hazard_of_new)
    at = np.asarray(due, dtype=float)
    # the first of these steps is half a step
    failed = step_chances(hazard_of_new, np.where(at < 0.5, 2.0 * at, at + 0.5)).failed
    lag = np.arange(len(failed)).reshape(-1, *([1] * at.ndim))
    return StepChances(failed, np.clip(1.0 - np.abs(at - lag), 0.0, 1.0) * (1.0 - failed.sum(axis=0)))


def expected_events(first: StepChances, new: StepChances, renewals: Floats | None = None) -> StepChances:
    """Expected failures and planned renewals in each step, those of later parts included.

    Parameters
    ----------
    first : StepChances
        Of the part now fitted.
    new : StepChances
        Of a new part by lag (`lags`).
    renewals : array or None
        `renewals_by_lag` of it, where already worked.
    """
    total = first.either + then(first.either, renewals_by_lag(new) if renewals is None else renewals)
    if new.planned is None and first.planned is None:
        return StepChances(total)
    failed = first.failed + then(total, new.failed)
    return StepChances(failed, total - failed)


def renewals_by_lag(new: StepChances) -> Floats:
    """Expected renewals of a position by lag since a new part was fitted, (steps, ...)."""
    life = new.either
    # a part that does not outlast half a step gives way in the same one
    at_once = 1.0 / np.maximum(1.0 - life[0], 1e-9)
    out, product = life.copy(), np.empty_like(life[0])
    for k in range(len(life)):
        for j in range(k):
            out[k] += np.multiply(out[j], life[k - j], out=product)
        out[k] *= at_once
    return out


def then(earlier: Floats, life: Floats) -> Floats:
    """One more life after an earlier end: the convolution over steps of two arrays (steps, ...)."""
    out = earlier * life[0]
    product = np.empty_like(out[0])
    for k in range(1, len(earlier)):  # a step at a time stays in the processor's cache
        for lag in range(1, k + 1):
            out[k] += np.multiply(earlier[k - lag], life[lag], out=product)
    return out


def variance_of_count(events: Floats, renewals: Floats) -> Floats:
    """Variance of the number of ends of life within the horizon, (...).

    Twice the events followed by another are the mean of N (N - 1); `renewals` is `renewals_by_lag`.
    """
    ahead, followed = np.zeros_like(renewals[0]), np.zeros_like(events[0])
    for event, lag in zip(events[::-1], renewals, strict=True):
        ahead += lag
        followed += event * ahead
    mean = events.sum(axis=0)
    return np.maximum(2.0 * followed + mean - mean**2, 0.0)


def count_chances(first: StepChances, new: StepChances, most: int) -> Floats:
    """Chance of 0, 1, ... `most` ends of life within the horizon, (..., most + 1); the last stands for more as well."""
    at_least = [np.ones(first.failed.shape[1:])]
    nth = first.either
    for _ in range(most):
        at_least.append(np.minimum(nth.sum(axis=0), at_least[-1]))
        nth = then(nth, new.either)
    return -np.diff(np.stack([*at_least, np.zeros_like(at_least[0])], axis=-1), axis=-1)


def sum_of_counts(chances: Floats) -> Floats:
    """Distribution of a sum of independent counts, exact.

    Parameters
    ----------
    chances : array (counts, ..., k)
        Chance of 0 to k - 1 of each count; with k = 2 this is the Poisson-binomial distribution.

    Returns
    -------
    array (..., counts * (k - 1) + 1)

    Notes
    -----
    Pairs are convolved, then pairs of pairs: by Fourier transform where long, directly where short.
    """
    level = list(chances)
    if not level:
        return np.ones((*chances.shape[1:-1], 1))
    while len(level) > 1:
        joined = [_convolve(a, b) for a, b in zip(level[::2], level[1::2], strict=False)]
        level = joined + ([level[-1]] if len(level) % 2 else [])
    return np.asarray(level[0])


def _convolve(a: Floats, b: Floats) -> Floats:
    if a.shape[-1] < b.shape[-1]:
        a, b = b, a
    size = a.shape[-1] + b.shape[-1] - 1
    if b.shape[-1] <= 32:
        out = np.zeros((*a.shape[:-1], size))
        for k in range(b.shape[-1]):
            out[..., k : k + a.shape[-1]] += a * b[..., k : k + 1]
        return out
    length = 1 << (size - 1).bit_length()
    out = np.fft.irfft(np.fft.rfft(a, length) * np.fft.rfft(b, length), length)[..., :size]
    return np.maximum(out, 0.0)


def count_quantile(chances: Floats, share: float) -> int:
    """Smallest count whose cumulative chance reaches `share`, from (k,) chances."""
    total = np.cumsum(chances)
    return min(int(np.searchsorted(total, share - 1e-12)), len(chances) - 1)
