"""Intervals by drawing whole shops or machines anew, and exact ones for counts.

Parts of one machine, and machines of one shop, fail together more than the model knows; intervals that take every
part for itself are too narrow. Statistics here are functions of sums, so a draw is one matrix product.

References: Davison and Hinkley (1997), Bootstrap Methods and their Application, ch. 3.8 (whole clusters are drawn);
Clopper and Pearson (1934), Biometrika 26; Garwood (1936), Biometrika 28.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, gammaincinv

from analytics.backtest_types import Estimated
from analytics.spells import Floats, Ints

DRAWS = 1000
_MOST_COPIES = 20_000_000  # numbers held at once; huge fleets get fewer draws
SHOPS_TO_DRAW = 6  # with fewer shops the machines are drawn: a handful of shops says little of how shops differ


@dataclass(frozen=True)
class Resampling:
    """Which clusters rows belong to, and how often each is drawn in each replicate (draws, clusters)."""

    unit: str
    cluster: Ints
    copies: Floats
    level: float

    @property
    def count(self) -> int:
        return self.copies.shape[1]

    @classmethod
    def of(cls, shop: Ints, machine: Ints, level: float, seed: int) -> Resampling:
        """By shop where there are several, else by machine; clusters are told apart by value, not by row order."""
        by_shop = len(np.unique(shop)) >= SHOPS_TO_DRAW
        names, cluster = np.unique(shop if by_shop else machine, return_inverse=True)
        count = len(names)
        draws = int(np.clip(_MOST_COPIES // count, 100, DRAWS))
        copies = np.random.default_rng(seed).multinomial(count, np.full(count, 1.0 / count), size=draws)
        return cls("shop" if by_shop else "machine", cluster, copies.astype(float), level)

    def sums(self, values: Floats) -> Floats:
        """Sum of a column (n,) in each replicate, (draws,)."""
        return self.copies @ self.by_cluster(values)

    def by_cluster(self, values: Floats) -> Floats:
        return np.asarray(np.bincount(self.cluster, values, self.count), dtype=float)

    def interval(self, value: float, replicates: Floats) -> Estimated:
        """Percentile interval around a value; nan where no replicate has one."""
        usable = replicates[np.isfinite(replicates)]
        if not len(usable) or not np.isfinite(value):
            return Estimated(value, float("nan"), float("nan"))
        low, high = np.quantile(usable, [0.5 * (1 - self.level), 0.5 * (1 + self.level)])
        return Estimated(value, float(min(low, value)), float(max(high, value)))

    def ratio(self, top: Floats, bottom: Floats) -> Estimated:
        """Sum of one column over the sum of another."""
        return self.interval(divide(top.sum(), bottom.sum()), divided(self.sums(top), self.sums(bottom)))

    def share(self, part: Floats, whole: Floats) -> Estimated:
        """A share of units: the wider of this and the exact binomial interval, which also holds at 0 and at all."""
        drawn = self.ratio(part, whole)
        units = divide(whole.sum() ** 2, (whole**2).sum())
        low, high = binomial_interval(drawn.value * units, units, self.level)
        return Estimated(drawn.value, float(np.fmin(low, drawn.low)), float(np.fmax(high, drawn.high)))


def divide(top: float, bottom: float) -> float:
    return float(top / bottom) if bottom > 0 else float("nan")


def divided(top: Floats, bottom: Floats) -> Floats:
    return np.divide(top, bottom, out=np.full(np.shape(bottom), np.nan), where=bottom > 0)


def binomial_interval(count: float, of: float, level: float) -> tuple[float, float]:
    """Exact (Clopper-Pearson) interval of a share; counts need not be whole."""
    if not of > 0:
        return float("nan"), float("nan")
    tail, rest = 0.5 * (1 - level), max(of - count, 0.0)
    low = float(betaincinv(count, rest + 1, tail)) if count > 1e-9 else 0.0
    high = float(betaincinv(count + 1, rest, 1 - tail)) if rest > 1e-9 else 1.0
    return low, high


def poisson_interval(count: float, level: float) -> tuple[float, float]:
    """Exact (Garwood) interval of a mean count."""
    tail = 0.5 * (1 - level)
    low = float(gammaincinv(count, tail)) if count > 0 else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def one_step(
    at: Floats, scores: list[Floats], information: list[list[Floats]], draw: Callable[[Floats], Floats]
) -> Floats:
    """Replicates (draws, k) of a maximum likelihood estimate: one Newton step from the estimate itself."""
    score = np.stack([draw(s) for s in scores], axis=-1)
    bend = np.stack([np.stack([draw(v) for v in row], axis=-1) for row in information], axis=-2)
    usable = np.abs(np.linalg.det(bend)) > 1e-12
    out = np.full((len(score), len(at)), np.nan)
    out[usable] = at + np.linalg.solve(bend[usable], score[usable][..., None])[..., 0]
    return out
