"""The week's list against brute force over all lists, and the worth of a job against the renewal optimum."""

from itertools import combinations

import numpy as np
import pytest

from analytics.errors import InvalidObservations
from analytics.new_life import known_life
from analytics.pull_list import PullJob, pull_list, worth_of_pulling
from analytics.renewal_policy import RenewalCosts, renewal_policy


def spent(jobs, bring):
    return sum(j.hours for j in jobs) + sum(bring.get(m, 0) for m in {j.machine for j in jobs})


def brute(jobs, hours, bring):
    lists = (s for k in range(len(jobs) + 1) for s in combinations(jobs, k))
    return max(sum(j.worth for j in s) for s in lists if spent(s, bring) <= hours)


@pytest.mark.parametrize("seed", range(8))
def test_best_of_all_lists(seed):
    rng = np.random.default_rng(seed)
    jobs = [
        PullJob(f"j{i}", f"m{rng.integers(4)}", float(rng.integers(1, 9)) / 4, float(rng.integers(-3, 20)))
        for i in range(11)
    ]
    bring = {"m0": 0.5, "m1": 0.75, "m2": 0.0}
    found = pull_list(jobs, 4.0, hours_to_bring_in=bring)
    assert found.worth == pytest.approx(brute(jobs, 4.0, bring))
    assert found.hours == pytest.approx(spent(found.jobs, bring)) and found.hours <= 4.0 + 1e-9
    assert len(found.jobs) + len(found.left_out) == len(jobs)


def test_what_must_be_done_is_in_whatever_it_is_worth():
    brakes = PullJob("brakes", "m1", 2.0, -5.0, must=True)
    belt, chain = PullJob("belt", "m1", 1.0, 50.0), PullJob("chain", "m2", 1.0, 60.0)
    found = pull_list([chain, belt, brakes], 3.25, hours_to_bring_in={"m1": 0.25, "m2": 0.25})
    assert found.jobs == (brakes, belt) and found.machines == ("m1",) and found.over_by == 0
    assert found.left_out[0][0] == chain and "worth less" in found.left_out[0][1]
    tight = pull_list([chain, belt, brakes], 1.0)
    assert tight.jobs == (brakes,) and tight.over_by == pytest.approx(1.0)
    idle = pull_list([PullJob("x", "m", 1.0, -1.0)], 10.0)
    assert idle.jobs == () and idle.left_out[0][1] == "cheaper to run on"


def test_a_job_is_worth_doing_from_the_best_age_on():
    """Before the optimum of age replacement waiting a day is cheaper, after it dearer."""
    life, costs = known_life(5, 400, "days"), RenewalCosts(1, 4)
    policy = renewal_policy(life, costs)

    def worth(age):
        hazard = life.hazard(np.array([age, age + 1.0]))[0]
        return worth_of_pulling(float(-np.expm1(hazard[0] - hazard[1])), 1.0, costs, policy.cost_rate.value)

    assert worth(policy.interval - 4) < 0 < worth(policy.interval + 4)


def test_refusals_name_the_field():
    with pytest.raises(InvalidObservations, match="hours"):
        pull_list([], -1)
    with pytest.raises(InvalidObservations, match="twice"):
        pull_list([PullJob("a", "m", 1, 1)] * 2, 1)
    with pytest.raises(InvalidObservations, match="hours_to_bring_in"):
        pull_list([], 1, hours_to_bring_in={"m": -1})
    with pytest.raises(InvalidObservations, match="a: hours"):
        PullJob("a", "m", -1, 1)
    with pytest.raises(InvalidObservations, match="a: worth"):
        PullJob("a", "m", 1, float("nan"))
    with pytest.raises(InvalidObservations, match="chance"):
        worth_of_pulling(1.5, 1, RenewalCosts(1, 2), 0.1)
    assert pull_list([], 5).jobs == ()
