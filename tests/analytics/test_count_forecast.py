"""Forecasts of counts: exact sums, the approximation against them, and coverage of what then happens."""

import numpy as np
import pytest
from scipy.stats import nbinom, poisson

from analytics.count_forecast import CountForecast, forecast_of_counts, forecast_of_moments, known_count
from analytics.errors import InvalidObservations
from analytics.fleet import outlook
from analytics.fleet_parts import fleet_of
from analytics.renewal_counts import sum_of_counts
from tests.analytics.fleet_cases import fitted_table, small_fleet


def moments(p):
    return forecast_of_moments(np.array([p.sum()]), np.array([(p * (1 - p)).sum()]), np.ones(1))


@pytest.mark.parametrize(("parts", "top"), [(40, 0.2), (300, 0.05), (900, 0.5)])
def test_moments_against_the_exact_poisson_binomial(parts, top):
    p = np.random.default_rng(parts).uniform(0, top, parts)
    exact = np.cumsum(sum_of_counts(np.stack([1 - p, p], axis=-1)))
    found = moments(p).cumulative
    n = min(len(exact), len(found))
    assert found[:n] == pytest.approx(exact[:n], abs=2e-3)


def test_normal_end_of_the_approximation():
    """From `NORMAL_FROM` on an expansion stands in; Poisson and negative binomial by scipy."""
    k = np.arange(200)
    assert known_count(90.0).cumulative[:150] == pytest.approx(poisson.cdf(k[:150], 90.0), abs=1e-3)
    wide = forecast_of_moments(np.array([90.0]), np.array([180.0]), np.ones(1))
    assert wide.cumulative[:200] == pytest.approx(nbinom.cdf(k, 90, 0.5), abs=2e-3)
    narrow = forecast_of_moments(np.array([4.0]), np.array([8.0]), np.ones(1))
    assert narrow.cumulative[:20] == pytest.approx(nbinom.cdf(k[:20], 4, 0.5), abs=1e-9)


def test_mixture_over_draws():
    chances = np.array([[[0.5, 0.5], [0.9, 0.1]], [[0.5, 0.5], [0.9, 0.1]]])  # (parts, draws, k)
    found = forecast_of_counts(chances, np.array([0.25, 0.75]))
    assert found.cumulative == pytest.approx([0.25 * 0.25 + 0.75 * 0.81, 0.25 * 0.75 + 0.75 * 0.99, 1.0])
    assert found.expected == pytest.approx(0.25 * 1.0 + 0.75 * 0.2)


def test_cover_and_quantiles():
    two = known_count(2.0)
    assert two.cover(3) == pytest.approx(poisson.cdf(3, 2)) and two.cover(-1) == 0
    assert two.quantile(0.97) == poisson.ppf(0.97, 2) and two.between(0.8) == (1, 3)
    nothing = known_count(0.0)
    assert nothing.between() == (0, 0) and nothing.cover(0) == 1
    with pytest.raises(InvalidObservations, match="share"):
        two.quantile(1.0)
    with pytest.raises(InvalidObservations, match="mean"):
        known_count(-1.0)


@pytest.mark.parametrize("mean", [0.05, 0.3, 1.0, 2.0, 3.0, 17.5, 80.0])
def test_intervals_are_those_of_the_mid_distribution(mean):
    """Poisson by scipy; on the average over means the interval holds what it says, which whole quantiles do not."""
    k = np.arange(300)
    inside = np.abs(poisson.cdf(k, mean) - 0.5 * poisson.pmf(k, mean) - 0.5) <= 0.4
    wanted = k[inside] if inside.any() else [0]
    assert known_count(mean).between(0.8) == (wanted[0], wanted[-1])


def test_intervals_hold_what_they_say_on_the_average():
    means = np.linspace(2, 40, 400)
    held = []
    for mean in means:
        low, high = known_count(float(mean)).between(0.8)
        held.append(poisson.cdf(high, mean) - poisson.cdf(low - 1, mean))
    whole = poisson.cdf(poisson.ppf(0.9, means), means) - poisson.cdf(poisson.ppf(0.1, means) - 1, means)
    assert np.mean(held) == pytest.approx(0.8, abs=0.01) and whole.mean() > 0.83


def place(forecast: CountForecast, count: int, rng) -> float:
    """Where a count falls in its forecast: uniform between 0 and 1 if the forecast is right."""
    below = forecast.cover(count - 1)
    return below + rng.random() * (forecast.cover(count) - below)


def test_prediction_intervals_cover_in_seeded_worlds():
    """80 worlds with few records each: truth drawn, fitted, next quarter forecast, then lived.

    Intervals that take the fitted life as known cover two thirds at 80 %.
    """
    places, plug_in, rng = [], [], np.random.default_rng(21)
    for seed in range(80):
        life, shape = float(np.exp(rng.normal(np.log(5.0), 0.4))), float(np.exp(rng.normal(np.log(2.0), 0.25)))
        machines = [m for m in small_fleet(150, seed, unknown=0.0)]
        found = outlook(fleet_of(fitted_table(seed, shape, life, n=60), machines), 91.0, steps=3)
        age = np.array([m.states[0].part_days / 365.25 for m in machines])
        per_year = 15.0 * 365.25 / 5000
        # lives were simulated in calendar years at 5,000 km a year; here the use is about the same
        start, end = ((age + t) * per_year / life for t in (0.0, 91 / 365.25))
        count = int((rng.random(150) < -np.expm1(start**shape - end**shape)).sum())
        belts = found.forecast("belt")
        places.append(place(belts, count, rng))
        plug_in.append(place(known_count(belts.expected), count, rng))
    inside = [np.mean([abs(p - 0.5) < level / 2 for p in places]) for level in (0.8, 0.95)]
    assert 0.7 < inside[0] < 0.9 and inside[1] > 0.89
    assert np.mean([abs(p - 0.5) < 0.4 for p in plug_in]) < inside[0]
