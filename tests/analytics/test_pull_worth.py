"""Best policies of many parts at once, against the published optimum of age replacement and the one-part search."""

import numpy as np
import pytest

from analytics.fleet_draws import JointLives, LifeKey
from analytics.fleet_types import Fleet, FleetGroup
from analytics.new_life import known_life
from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.pull_list import worth_of_pulling
from analytics.pull_worth import best_policies, days_until_due, worth_now
from analytics.renewal_policy import RenewalCosts, renewal_policy
from analytics.spells import DAYS_PER_YEAR, Cell

CELL = Cell("Hexley", "", "Dray 300")
DRAWS = 4
USE = np.array([REFERENCE_KM_PER_YEAR / DAYS_PER_YEAR, 40.0])


def group_of(shape: float, scale_days: float, clock_weight: float = 0.0, drawn: float | None = None) -> FleetGroup:
    """Two parts of one life known exactly, `scale_days` at the typical use; the second is on a busy machine."""
    theta = -shape * np.log(scale_days / DAYS_PER_YEAR / 10.0)
    full = np.full((DRAWS, 1), theta)
    weights = np.full(DRAWS, clock_weight)
    key = (LifeKey("cvt_belt", CELL),)
    lives = JointLives("cvt_belt", key, weights, full * 0, full, full * 0 + shape, None, None, 0.0)
    zero, number = np.zeros(2, dtype=np.int64), np.arange(2)
    ages = (
        None if drawn is None else (np.full((DRAWS, 2), drawn), np.full((DRAWS, 2), theta), np.full((DRAWS, 2), shape))
    )
    return FleetGroup(lives, number, number, zero, zero, np.array([1000.0, 1000.0]), np.array([200.0, 50.0]), ages)


def test_published_optimum() -> None:
    """Shape 2.5, scale 1000, costs 1 and 5: T* = 493.05, rate .0034620 (Barlow & Proschan 1965, 4.2)."""
    rate, age = best_policies(group_of(2.5, 1000.0), USE, RenewalCosts(1, 5))
    assert rate == pytest.approx([0.0034620] * 2, rel=2e-3)
    assert age == pytest.approx([493.05] * 2, rel=0.03)  # the grid's step


def test_as_the_search_for_one_part_finds_it() -> None:
    costs = RenewalCosts(100, 400, 0.5, 3, 40)
    policy = renewal_policy(known_life(5, 700, "days"), costs)
    rate, age = best_policies(group_of(5, 700), USE, costs)
    assert rate == pytest.approx([policy.cost_rate.value] * 2, rel=2e-3)
    assert age == pytest.approx([policy.interval] * 2, rel=0.03)


def test_failures_that_do_not_age_have_no_interval() -> None:
    rate, age = best_policies(group_of(1.0, 1000.0), USE, RenewalCosts(1, 5))
    assert np.isinf(age).all() and rate == pytest.approx([5 / 1000] * 2, rel=0.01)


def test_a_part_worn_by_distance_is_due_sooner_on_a_busy_machine() -> None:
    group = group_of(5, 700, clock_weight=1.0)
    _, age = best_policies(group, USE, RenewalCosts(1, 4))
    assert age[0] * USE[0] == pytest.approx(age[1] * USE[1], rel=0.08)  # one age in km; uses are rounded
    left = days_until_due(group, USE, age)
    assert left == pytest.approx(age - 1000.0 / USE, rel=1e-6)


def test_an_unknown_age_is_taken_at_its_mean() -> None:
    group = group_of(5, 700, drawn=0.1)  # a tenth of ten years
    assert days_until_due(group, USE, np.array([700.0, 700.0])) == pytest.approx([700 - DAYS_PER_YEAR] * 2)


def test_worth_is_that_of_each_job_alone() -> None:
    group = group_of(5, 700)
    fleet = Fleet(("cvt_belt",), USE, (group,), np.arange(2), np.zeros(2, dtype=np.int64))
    costs, chance = RenewalCosts(1, 4), np.array([0.001, 0.2])
    rate, _ = best_policies(group, USE, costs)
    found = worth_now(fleet, chance, 7.0, {"cvt_belt": costs})
    assert found == pytest.approx([worth_of_pulling(c, 7.0, costs, r) for c, r in zip(chance, rate, strict=True)])
    assert found[0] < 0 < found[1]
    assert np.isneginf(worth_now(fleet, chance, 7.0, {})).all()
