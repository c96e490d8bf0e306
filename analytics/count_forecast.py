"""A forecast of a count: how many failures, how many spares, with all that is not known.

Given the life's parameters a fleet's count is a sum of small independent counts; over the posterior it is a mixture
of such sums. Up to `EXACT_PARTS` parts each sum is worked exactly by convolution; beyond, by the binomial (the
negative binomial, where parts can fail more than once) of the same mean and variance.

Source for the approximation: Ehm 1991 (binomial approximation to the Poisson-binomial, error of the order of the
spread of the chances).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr, betainc, ndtr, pdtr

from analytics.errors import InvalidObservations
from analytics.renewal_counts import sum_of_counts
from analytics.spells import Floats

EXACT_PARTS = 200
NORMAL_FROM = 60.0  # variance from which a normal with its skewness stands in; off by less than a fifth of a count


@dataclass(frozen=True)
class CountForecast:
    """Expected count and `cumulative`, the chance of at most 0, 1, 2, ... (k,)."""

    expected: float
    cumulative: Floats

    def quantile(self, share: float) -> int:
        """Smallest count that is not exceeded with at least this chance."""
        if not 0 < share < 1:
            raise InvalidObservations(f"share: must lie between 0 and 1, not {share!r}")
        return min(int(np.searchsorted(self.cumulative, share - 1e-12)), len(self.cumulative) - 1)

    def between(self, level: float = 0.8) -> tuple[int, int]:
        """Equal-tailed prediction interval: every count whose mid-distribution value lies within the level.

        A count holds its whole chance; with half of it on either side (Parzen 2004; the mid-P rule of Lancaster 1961)
        intervals hold as often as they say on the average, where whole counts would hold more often.
        """
        tail = 0.5 - level / 2
        middle = self.cumulative - 0.5 * np.diff(self.cumulative, prepend=0.0)
        low = min(int(np.searchsorted(middle, tail - 1e-12)), len(middle) - 1)
        high = int(np.searchsorted(middle, 1.0 - tail + 1e-12, side="right")) - 1
        # where one count holds more than the level, it is the interval
        return (low, high) if low <= high else (high + 1, high + 1)

    def cover(self, stock: int) -> float:
        """Chance that so many are enough."""
        return 0.0 if stock < 0 else float(self.cumulative[min(stock, len(self.cumulative) - 1)])


def forecast_of_counts(chances: Floats, weight: Floats) -> CountForecast:
    """Forecast of the sum of independent counts, exact.

    Parameters
    ----------
    chances : array (parts, draws, k)
        Chance of 0 to k - 1 of each part's count in each draw.
    weight : array (draws,)
    """
    mixed = weight @ sum_of_counts(chances)
    cumulative = np.minimum(np.cumsum(mixed), 1.0)
    return CountForecast(float(mixed @ np.arange(len(mixed))), cumulative)


def forecast_of_moments(mean: Floats, variance: Floats, weight: Floats) -> CountForecast:
    """Forecast from each draw's mean and variance of the count, (draws,).

    Draws of less variance than mean are binomial, of more negative binomial, else Poisson.
    """
    mean, variance = np.maximum(mean, 0.0), np.maximum(variance, 0.0)
    top = int(np.ceil((mean + 9.0 * np.sqrt(variance + mean)).max() + 10.0))
    k = np.arange(top + 1, dtype=np.float64)[None]
    if variance.min() > NORMAL_FROM:
        return CountForecast(
            float(weight @ mean), np.tensordot(weight, _normal(mean[:, None], variance[:, None], k), 1)
        )
    less = np.maximum(mean - variance, 0.0)
    more = np.maximum(variance - mean, 0.0)
    trials = np.maximum(np.round(mean**2 / np.maximum(less, 1e-12)), np.ceil(mean))
    binomial = (less > 1e-3 * mean) & (trials < 1e9)
    negative = more > 1e-3 * mean
    cumulative = np.where(mean[:, None] > 0, pdtr(k, np.maximum(mean, 1e-300)[:, None]), 1.0)
    if binomial.any():
        n = trials[binomial, None]
        found = bdtr(np.minimum(k, n), n.astype(int), mean[binomial, None] / n)
        cumulative[binomial] = np.where(k >= n, 1.0, found)
    if negative.any():
        size = (mean[negative] ** 2 / more[negative])[:, None]
        cumulative[negative] = betainc(size, k + 1.0, size / (size + mean[negative, None]))
    return CountForecast(float(weight @ mean), np.minimum(weight @ cumulative, 1.0))


def _normal(mean: Floats, variance: Floats, k: Floats) -> Floats:
    """First-order Edgeworth expansion; binomial, Poisson and negative binomial share the form of the skewness."""
    sd = np.sqrt(variance)
    skewness = (2.0 * variance / mean - 1.0) / sd
    z = np.clip((k + 0.5 - mean) / sd, -9.0, 9.0)
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.clip(ndtr(z) - density * skewness / 6.0 * (z**2 - 1.0), 0.0, 1.0)


def known_count(mean: float) -> CountForecast:
    """A Poisson count of known mean."""
    if not 0 <= mean < np.inf:
        raise InvalidObservations(f"mean: must be a number of at least 0, not {mean!r}")
    return forecast_of_moments(np.array([mean]), np.array([mean]), np.ones(1))
