"""One rule on two clocks for machines of different use."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import InvalidObservations
from analytics.new_life import NewLife, known_life
from analytics.renewal_policy import RenewalCosts, renewal_policy
from analytics.renewal_two_clocks import two_clock_policy

COSTS = RenewalCosts(1.0, 5.0)
USES = (5.0, 15.0, 50.0)  # km a day


def by_both(km_per_day: float, km_share: float, shape: float = 2.5) -> NewLife:
    """A part that wears by distance and by time: 1 unit is 1,000 days' worth of typical use of 15 km a day."""
    per_day = (km_share * km_per_day / 15.0 + (1 - km_share)) / 1000.0
    one = np.ones(1)
    return NewLife("days", km_per_day, np.zeros(1), shape * one, per_day * one, one)


def test_one_machine_at_steady_use_has_one_clock() -> None:
    """Age replacement of beta 2.5, eta 1000, costs 1 and 5: 493.047 at 0.003462042739 (R, scipy and relife agree)."""
    found = two_clock_policy([known_life(2.5, 1000.0, "days", 10.0)], COSTS)
    assert found.days_alone.days == pytest.approx(493.047, rel=2e-3)
    assert found.km_alone.km == pytest.approx(4930.47, rel=2e-3)
    for rule in (found.both, found.days_alone, found.km_alone):
        assert rule.cost_per_year.value == pytest.approx(0.003462042739 * 365.25, rel=1e-5)
    assert found.run_to_failure.cost_per_year.value == pytest.approx(0.005635302 * 365.25, rel=1e-5)
    assert found.chosen in (found.km_alone, found.days_alone)


@pytest.mark.parametrize(("km_share", "clock"), [(1.0, "km"), (0.0, "days")])
def test_a_part_worn_by_one_clock_is_renewed_by_that_one(km_share: float, clock: str) -> None:
    found = two_clock_policy([by_both(u, km_share) for u in USES], COSTS)
    right = found.km_alone if clock == "km" else found.days_alone
    wrong = found.days_alone if clock == "km" else found.km_alone
    assert found.chosen == right and right.excess < 1e-4 and wrong.excess > 0.05
    assert (found.chosen.km, found.chosen.days) == ((right.km, None) if clock == "km" else (None, right.days))


def test_a_part_worn_by_both_is_renewed_by_whichever_comes_first() -> None:
    """Held against a search over all rules by scipy, with each machine's cost from the one-clock policy."""
    lives = [by_both(u, 0.6) for u in USES]
    found = two_clock_policy(lives, COSTS)
    assert found.chosen == found.both and found.km_alone.excess > 0.005 and found.days_alone.excess > 0.005
    assert found.both.cost_per_year.value <= min(
        found.km_alone.cost_per_year.value, found.days_alone.cost_per_year.value
    )

    def cost(km: float, days: float) -> float:
        ages = [min(km / u, days) for u in USES]
        rates = [
            renewal_policy(life, COSTS, alternatives=[age]).alternatives[0].cost_rate.value
            for life, age in zip(lives, ages, strict=True)
        ]
        return float(np.mean(rates)) * 365.25

    at_best = cost(found.both.km, found.both.days)
    assert at_best == pytest.approx(found.both.cost_per_year.value, rel=1e-6)
    for km in (0.8, 0.9, 1.1, 1.25):
        for days in (0.8, 0.9, 1.1, 1.25):
            assert cost(km * found.both.km, days * found.both.days) >= at_best * (1 - 1e-4)
    # no rule can beat each machine at its own best age
    own = [renewal_policy(life, COSTS).cost_rate.value for life in lives]
    assert found.both.cost_per_year.value > np.mean(own) * 365.25


def test_no_interval_where_failures_do_not_age_or_cost_no_more() -> None:
    for lives, costs in (
        ([by_both(u, 0.5, shape=1.0) for u in USES], COSTS),
        ([by_both(u, 0.5) for u in USES], RenewalCosts(2.0, 2.0)),
    ):
        found = two_clock_policy(lives, costs)
        assert found.chosen == found.run_to_failure and found.reason.startswith("no interval")


def test_refusals() -> None:
    with pytest.raises(InvalidObservations, match="lives"):
        two_clock_policy([], COSTS)
    with pytest.raises(InvalidObservations, match="days"):
        two_clock_policy([known_life(2.0, 1000.0, "km", 10.0)], COSTS)
    with pytest.raises(InvalidObservations, match="level"):
        two_clock_policy([by_both(5.0, 1.0)], COSTS, level=1.0)
