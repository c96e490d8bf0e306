"""Renewing while apart and in blocks, against the definitions worked by quadrature and by another renewal function."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from analytics.errors import InvalidObservations
from analytics.new_life import known_life
from analytics.renewal import renewal_function
from analytics.renewal_policy import RenewalCosts, renewal_policy
from analytics.renewal_shared import BlockPart, block_policy, renew_while_apart

BELT, COSTS = known_life(5, 24), RenewalCosts(1, 4)


def alive(t):
    return np.exp(-((t / 24) ** 5))


def value(age):
    """Cost from this age to the next renewal, less the average cost of the distance until then."""
    best = renewal_policy(BELT, COSTS)
    end = best.interval
    survives = alive(end) / alive(age)
    distance = quad(lambda t: alive(t) / alive(age), age, end)[0]
    return survives + 4 * (1 - survives) - best.cost_rate.value * distance


@pytest.mark.parametrize("age", [4.0, 9.0, 13.0])
def test_worth_of_renewing_now_by_quadrature(age):
    apart = renew_while_apart(BELT, COSTS, 0.5, age=age)
    assert apart.worth.value == pytest.approx(value(age) - 0.5, abs=1e-4)


def test_age_to_renew_from_is_where_it_breaks_even():
    apart = renew_while_apart(BELT, COSTS, 0.5)
    assert value(apart.renew_from) == pytest.approx(0.5, abs=0.01)
    assert apart.renew_from < apart.planned_interval and apart.worth is None


def test_new_part_costs_nothing_beyond_the_average():
    assert renew_while_apart(BELT, COSTS, 0.5, age=0).worth.value == pytest.approx(-0.5, abs=1e-9)


def test_no_discount_leaves_the_planned_age():
    apart = renew_while_apart(BELT, COSTS, 1.0)
    assert apart.renew_from == pytest.approx(apart.planned_interval, rel=0.01)


def test_part_that_does_not_age_stays_in():
    apart = renew_while_apart(known_life(1.0, 100), RenewalCosts(1, 5), 0.2, age=150)
    assert apart.renew_from is None and apart.planned_interval is None and "no worse" in apart.reason
    assert apart.worth.value == pytest.approx(-0.2, abs=0.01)  # a failure waits as long whatever the age


def test_run_to_failure_part_still_renewed_while_nearly_free():
    """Too dear to renew on purpose; while apart it costs little, so an old one goes."""
    apart = renew_while_apart(known_life(1.5, 100), RenewalCosts(4.0, 5), 0.1)
    assert apart.planned_interval is None and 0 < apart.renew_from < 100


def test_block_by_another_renewal_function():
    """Two parts, one cover; `renewal_function` sums and extrapolates in a way of its own."""
    parts = [BlockPart(known_life(5, 24), 0.3, 3.0), BlockPart(known_life(3, 30), 0.4, 2.0)]
    policy = block_policy(parts, 1.0)

    def rate(end):
        count = renewal_function(5, 24, end), renewal_function(3, 30, end)
        return float(1.0 + 0.7 + 4.0 * count[0] + 3.0 * count[1]) / end

    best = minimize_scalar(rate, bounds=(5, 30), method="bounded")
    assert policy.interval == pytest.approx(best.x, abs=0.3)  # the step of the lattice
    assert policy.cost_rate == pytest.approx(best.fun, rel=1e-3)
    assert policy.failures_per_block[0] == pytest.approx(float(renewal_function(5, 24, policy.interval)), rel=2e-3)
    assert policy.cost_rate < policy.one_by_one


def test_block_of_one_is_never_better_than_its_own_age():
    policy = block_policy([BlockPart(BELT, 1.0, 4.0)], 0.0)
    assert policy.interval is None and "at its own age" in policy.reason
    assert policy.one_by_one == pytest.approx(renewal_policy(BELT, COSTS).cost_rate.value)


def test_refusals_name_the_field():
    with pytest.raises(InvalidObservations, match="cost_while_apart"):
        renew_while_apart(BELT, COSTS, 2.0)
    with pytest.raises(InvalidObservations, match="age"):
        renew_while_apart(BELT, COSTS, 0.5, age=-1)
    with pytest.raises(InvalidObservations, match="at least one part"):
        block_policy([], 1.0)
    with pytest.raises(InvalidObservations, match="one clock"):
        block_policy([BlockPart(BELT, 1, 2), BlockPart(known_life(2, 9, "days"), 1, 2)], 1.0)
    with pytest.raises(InvalidObservations, match="together"):
        block_policy([BlockPart(BELT, -1, 2)], 1.0)
