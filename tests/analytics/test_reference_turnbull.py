"""Interval-censored share still good: isotonic regression (exact for one look a unit), surpyval 0.25, R, by hand."""

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from analytics.curves import kaplan_meier
from analytics.turnbull import turnbull
from tests.reference import data


def test_turbine_wheels_against_isotonic_regression():
    """With one look a unit the best step function is the isotonic regression of the share cracked (PAVA)."""
    _, hours, cracked, count = data.turbine()
    looks = np.unique(hours)
    found = np.array([count[(hours == h) & cracked].sum() for h in looks])
    seen = np.array([count[hours == h].sum() for h in looks])
    expected = isotonic_regression(found / seen, weights=seen).x
    curve = turbine_curve()
    assert 1 - curve.at(looks) == pytest.approx(expected, abs=1e-7)
    published = [0, 0.0697674, 0.0697674, 0.0958904, 0.1666667, 0.2222222, 0.2222222]
    published += [0.4615385, 0.5810811, 0.5810811, 0.5833333]
    assert 1 - curve.at(looks) == pytest.approx(published, abs=1e-7)
    assert curve.events.sum() == pytest.approx(found.sum())


def turbine_curve():
    lower, hours, cracked, count = data.turbine()
    return turnbull(0, hours, cracked, lower, count)


@pytest.mark.parametrize(
    ("arm", "survival"),
    [
        (1, [0.8316225, 0.7608696, 0.7608696, 0.7608696, 0.5864380, 0.4655581]),
        (2, [0.9151612, 0.8478306, 0.4599742, 0.4599742, 0.2290772, 0.1076022]),
    ],
)
def test_breast_retraction(arm, survival):
    """surpyval (Kaplan-Meier transform) to 1e-6; R's EM stops at about 1e-3 and is no oracle for the last digits."""
    lower, exit_, seen = data.bcdeter(arm)
    assert turnbull(0, exit_, seen, lower).at([8, 12, 20, 24, 34, 40]) == pytest.approx(survival, abs=1e-6)


def test_exact_failures_give_kaplan_meier_even_with_late_entry():
    rng = np.random.default_rng(2)
    entry = rng.integers(0, 12, 200)
    exit_ = entry + rng.integers(1, 30, 200)
    failed = rng.random(200) < 0.6
    ages = np.arange(40)
    expected = kaplan_meier(entry, exit_, failed).at(ages)
    assert turnbull(entry, exit_, failed).at(ages) == pytest.approx(expected, abs=1e-10)


def test_intervals_on_a_common_grid_are_grouped_data():
    """All looked at every 10: the share surviving each step is one minus found / at risk (life table, by hand)."""
    lower = [0, 0, 10, 10, 10, np.nan, np.nan, 20]
    exit_ = [10, 10, 20, 20, 20, 20, 30, 30]
    seen = [True, True, True, True, True, False, False, True]
    curve = turnbull(0, exit_, seen, lower)
    assert curve.at([10, 20, 30]) == pytest.approx([6 / 8, 6 / 8 * 3 / 6, 6 / 8 * 3 / 6 / 2], abs=1e-8)


def test_late_entry_counts_only_what_could_be_seen():
    """Two cohorts on one grid; the second enters at 10 and joins the risk set there (life table, by hand)."""
    entry = [0, 0, 0, 0, 10, 10]
    lower = [0, 10, np.nan, np.nan, 10, np.nan]
    exit_ = [10, 20, 20, 20, 20, 20]
    seen = [True, True, False, False, True, False]
    assert turnbull(entry, exit_, seen, lower).at([10, 20]) == pytest.approx([3 / 4, 3 / 4 * 3 / 5], abs=1e-8)


def test_where_the_curve_drops_within_a_check_interval_is_said_to_be_unknown():
    assert any("between checks" in note for note in turbine_curve().notes)
    assert np.isnan(turbine_curve().low).all()
