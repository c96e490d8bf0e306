"""Counts of renewals: the renewal function of check table and theory, brute force over outcomes, exact sums."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binom

from analytics.renewal_counts import (
    count_chances,
    count_quantile,
    expected_events,
    lags,
    step_chances,
    sum_of_counts,
)


def lattice(shape, scale, end, steps):
    """Hazards of a new Weibull part at the edges of the steps, and at 0, 1/2, 3/2, ... steps."""
    step = end / steps
    halves = np.concatenate([[0.0], np.arange(steps) + 0.5])
    return ((step * np.arange(steps + 1)) / scale) ** shape, (step * halves / scale) ** shape


def test_renewal_function_of_the_check_table():
    """Weibull(2, 1): R discretisation and relife 3.0 agree on these to 1e-5."""
    edges, halves = lattice(2, 1, 2.0, 240)
    total = np.cumsum(expected_events(step_chances(edges), lags(halves)).failed)
    assert total[[59, 119, 239]] == pytest.approx([0.230794, 0.753691, 1.894039], abs=1e-5)


def test_constant_hazard_counts_are_poisson():
    """Shape 1: failures come as a Poisson process whatever was renewed."""
    edges, halves = lattice(1, 4.0, 6.0, 200)
    first, new = step_chances(edges), lags(halves)
    assert expected_events(first, new).failed == pytest.approx(np.full(200, 6 / 4 / 200), rel=1e-4)
    chances = count_chances(first, new, 6)
    assert chances[:4] == pytest.approx(np.exp(-1.5) * np.array([1, 1.5, 1.125, 0.5625]), abs=2e-3)
    assert chances.sum() == pytest.approx(1) and chances @ np.arange(7) == pytest.approx(1.5, abs=0.01)


def test_planned_renewals_come_when_due():
    """Renewed every 1.5 steps of a part that never fails, first after 0.4: at 0.4, then (mid-step) each 1.5 on."""
    edges, halves = np.zeros(7), np.zeros(7)
    first, new = step_chances(edges, np.array(0.4)), lags(halves, np.array(2.0))
    events = expected_events(first, new)
    assert events.planned == pytest.approx([1, 0, 1, 0, 1, 0]) and events.failed.sum() == 0
    assert count_chances(first, new, 4) == pytest.approx([0, 0, 0, 1, 0])
    overdue = step_chances(edges, np.array(-3.0))
    assert overdue.planned == pytest.approx([1, 0, 0, 0, 0, 0])


@pytest.mark.parametrize("every", [0.03, 0.23, 0.5, 0.9, 1.4, 2.7])
def test_renewals_of_any_interval_come_as_often_as_they_do(every):
    """Twelve steps hold 12 / every renewals, and of each the share that fails first; intervals may be short of a step.

    Of Weibull(3, 20) parts few fail within the interval, so that lives are as long as that but for a hundredth.
    """
    halves = np.concatenate([[0.0], np.arange(12) + 0.5])
    first, new = step_chances(np.zeros(13), np.array(0.0)), lags((halves / 20) ** 3, np.array(every))
    events = expected_events(first, new)
    assert events.either.sum() == pytest.approx(12 / every, rel=0.04, abs=0.6)
    # the lattice knows hazards at half steps only, and takes them for even in between
    edge = np.array([0.0, 0.5, 1.5, 2.5, 3.5])
    fails = np.interp(every, edge, 1 - np.exp(-((edge / 20) ** 3)))
    assert events.failed.sum() == pytest.approx(fails * 12 / every, rel=0.2, abs=1e-3)


def test_failures_and_renewals_account_for_every_part():
    edges, _ = lattice(3, 5.0, 10.0, 40)
    chances = step_chances(edges, np.array(17.3))
    assert chances.either.sum() == pytest.approx(1)
    at_17 = 1 - np.exp(-((17.3 / 40 * 10 / 5) ** 3))
    assert chances.failed.sum() == pytest.approx(at_17, rel=5e-3)


def test_counts_by_simulation():
    """200,000 seeded lines of parts against the lattice, within three standard errors of the simulation."""
    rng = np.random.default_rng(11)
    age, end, due, n = 3.0, 12.0, 7.0, 200_000
    first = ((age / 6) ** 3 + rng.exponential(size=n)) ** (1 / 3) * 6 - age
    clock, count, failed = np.minimum(first, due - age), np.zeros(n), first < due - age
    failures = np.zeros(n)
    while (clock <= end).any():
        inside = clock <= end
        count += inside
        failures += inside & failed
        life = 6 * rng.exponential(size=n) ** (1 / 3)
        failed = life < due
        clock = clock + np.minimum(life, due)
    steps = 480
    scale = end / steps
    edges = ((age + scale * np.arange(steps + 1)) / 6) ** 3
    _, halves = lattice(3, 6, end, steps)
    now, new = step_chances(edges, np.array((due - age) / scale)), lags(halves, np.array(due / scale))
    events = expected_events(now, new)
    assert events.failed.sum() == pytest.approx(failures.mean(), abs=3 * failures.std() / n**0.5 + 2e-3)
    assert events.either.sum() == pytest.approx(count.mean(), abs=3 * count.std() / n**0.5 + 2e-3)
    seen = np.bincount(count.astype(int), minlength=7)[:7] / n
    assert count_chances(now, new, 6) == pytest.approx(seen, abs=6e-3)


def test_sum_against_all_outcomes():
    chances = np.random.default_rng(2).dirichlet(np.ones(3), size=6)
    brute = np.zeros(13)
    for outcome in product(range(3), repeat=6):
        brute[sum(outcome)] += np.prod([chances[i, k] for i, k in enumerate(outcome)])
    assert sum_of_counts(chances) == pytest.approx(brute, abs=1e-14)


@pytest.mark.parametrize("count", [1, 7, 300])
def test_equal_chances_are_binomial(count):
    p = np.tile([0.93, 0.07], (count, 1))
    assert sum_of_counts(p) == pytest.approx(binom.pmf(np.arange(count + 1), count, 0.07), abs=1e-12)
    assert count_quantile(sum_of_counts(p), 0.9) == binom.ppf(0.9, count, 0.07)


def test_leading_axes_and_nothing():
    rng = np.random.default_rng(5)
    p = rng.random((9, 4))
    sums = sum_of_counts(np.stack([1 - p, p], axis=-1))
    for draw in range(4):
        assert sums[draw] == pytest.approx(sum_of_counts(np.stack([1 - p[:, draw], p[:, draw]], axis=-1)))
    assert sum_of_counts(np.zeros((0, 2))) == pytest.approx([1.0])
