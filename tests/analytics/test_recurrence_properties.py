"""Mean cumulative function and trend tests: definition by brute force, surpyval with late entry, null and refusals."""

import warnings
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.errors import InvalidObservations
from analytics.power_law import fit_power_law
from analytics.recurrence import histories, mean_cumulative_function
from analytics.trend import laplace, mil_hdbk_189, reverse_arrangements
from analytics.weibull import fit_weibull

UNITS = st.lists(
    st.tuples(st.integers(0, 5), st.integers(1, 8), st.integers(0, 3), st.integers(1, 8), st.integers(0, 2**16)),
    min_size=2,
    max_size=8,
)


def build(units):
    """Two windows a unit, with a gap that may be empty, and events on some of the ages inside."""
    unit, entry, exit_, event_unit, event_age = [], [], [], [], []
    for number, (start, first, gap, second, seed) in enumerate(units):
        rng = np.random.default_rng(seed)
        for a, b in ((start, start + first), (start + first + gap, start + first + gap + second)):
            unit.append(number), entry.append(a), exit_.append(b)
            ages = rng.choice(np.arange(a + 1, b + 1), rng.integers(0, 3))
            event_unit.extend([number] * len(ages)), event_age.extend(ages)
    return histories(unit, entry, exit_, np.array(event_unit, dtype=int), np.array(event_age, dtype=float))


@given(UNITS)
def test_mean_and_robust_variance_by_definition(units):
    """Lawless & Nadeau 1995: sum over units of the squared sum of Y_i / Y (dN_i - d / Y)."""
    watch = build(units)
    curve = mean_cumulative_function(watch)
    mean, deviation = 0.0, np.zeros(watch.units)
    for age in np.unique(watch.event_age):
        inside = np.zeros(watch.units)
        np.add.at(inside, watch.unit, (watch.entry < age) & (age <= watch.exit))
        mine = np.bincount(watch.event_unit[watch.event_age == age], minlength=watch.units)
        mean += mine.sum() / inside.sum()
        deviation += inside / inside.sum() * (mine - mine.sum() / inside.sum())
        assert curve.at(age) == pytest.approx(mean)
        assert curve.std_error_at(age) ** 2 == pytest.approx((deviation**2).sum(), abs=1e-12)
        assert curve.at_risk_at(age) == inside.sum()


@given(UNITS)
def test_splitting_a_window_changes_nothing(units):
    watch = build(units)
    middle = (watch.entry + watch.exit) / 2
    split = histories(
        np.tile(watch.unit, 2),
        np.concatenate([watch.entry, middle]),
        np.concatenate([middle, watch.exit]),
        watch.event_unit,
        watch.event_age,
    )
    ages = np.unique(watch.event_age)
    one, two = mean_cumulative_function(watch), mean_cumulative_function(split)
    assert two.at(ages) == pytest.approx(one.at(ages))
    assert two.std_error_at(ages) == pytest.approx(one.std_error_at(ages), abs=1e-7)


def test_late_entry_agrees_with_surpyval():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its import may warn; not ours to judge
        from surpyval.recurrent import NonParametricCounting
    rng = np.random.default_rng(6)
    entry, end = rng.uniform(0, 20, 15), rng.uniform(30, 60, 15)
    counts = rng.integers(0, 5, 15)
    whose = np.repeat(np.arange(15), counts)
    ages = rng.uniform(entry[whose], end[whose])
    ours = mean_cumulative_function(histories(np.arange(15), entry, end, whose, ages))
    theirs = NonParametricCounting.fit(
        np.concatenate([ages, end]),
        np.concatenate([whose, np.arange(15)]),
        np.concatenate([np.zeros(len(ages)), np.ones(15)]).astype(int),
        tl=np.concatenate([entry[whose], entry]),
    )
    assert ours.at(np.sort(ages)) == pytest.approx(theirs.mcf(np.sort(ages)), rel=1e-9)


def test_power_law_of_one_event_a_unit_is_a_weibull_fit():
    """A unit watched to its only event has the likelihood of a life; late entry included."""
    rng = np.random.default_rng(9)
    entry = rng.uniform(0, 20, 40)
    end = entry + rng.uniform(1, 30, 40)
    failed = np.arange(40) % 3 > 0
    process = fit_power_law(histories(np.arange(40), entry, end, np.flatnonzero(failed), end[failed]))
    life = fit_weibull(entry, end, failed)
    assert (process.shape, process.scale) == pytest.approx((life.shape, life.scale), rel=1e-9)
    assert process.log_likelihood == pytest.approx(life.log_likelihood)
    assert process.covariance == pytest.approx(life.covariance)


@pytest.mark.slow
def test_trend_tests_reject_five_in_a_hundred_without_a_trend():
    rng = np.random.default_rng(77)
    rejected = np.zeros(3)
    for _ in range(1000):
        ages = np.sort(rng.uniform(0, 100, 15))
        watch = histories([0], 0, 100, np.zeros(15), ages)
        gaps = np.cumsum(rng.gamma(3.0, size=15))  # exchangeable gaps, not a Poisson process
        tests = laplace(watch), mil_hdbk_189(watch), reverse_arrangements(gaps)
        rejected += [test.p_value < 0.05 for test in tests]
    assert (rejected[:2] / 1000 == pytest.approx(0.05, abs=0.023)) and rejected[2] / 1000 <= 0.073


def test_reversals_by_listing_all_orders():
    """Exact two-sided chance of four gaps in increasing order: 2 of 24 orders are as extreme."""
    counts = [sum(p[i] < p[j] for i in range(4) for j in range(i + 1, 4)) for p in permutations(range(4))]
    increasing = reverse_arrangements(np.cumsum([1, 2, 3, 4]))
    assert increasing.statistic == 6 and increasing.direction == "better"
    assert increasing.p_value == pytest.approx(2 * counts.count(6) / 24)


def test_stopping_at_the_last_event_drops_it():
    ages = np.array([20.0, 50.0, 60.0, 75.0, 80.0])
    stopped = histories([0], 0, 80, np.zeros(5), ages)
    by_hand = (ages[:4].mean() - 40) / (80 / np.sqrt(12 * 4))
    assert laplace(stopped, failure_truncated=True).statistic == pytest.approx(by_hand)
    assert mil_hdbk_189(stopped, failure_truncated=True).freedom == 8
    with pytest.raises(InvalidObservations, match="failure_truncated"):
        laplace(histories([0], 0, 90, np.zeros(5), ages), failure_truncated=True)
