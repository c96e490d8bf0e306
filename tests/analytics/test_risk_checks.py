"""Worked figures of conditional risk, and the renewal mixture against textbook values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.age_groups import groups_of, unknown_group
from analytics.baseline import Bend
from analytics.life_draws import LifeDraws
from analytics.life_model_types import PartState
from analytics.risk_pieces import DRAWS
from analytics.survival_draws import failure_chance
from analytics.unknown_start import age_table, age_weights, renewal_masses

# domain check figures in thousands of km; one operational unit is 50,000 km at clock weight 1
THOUSAND_KM = 1000.0 / 50_000.0


def life(shape: float, eta: float, hazard_factor: float = 1.0) -> LifeDraws:
    """A life known exactly, on distance alone."""

    def one(value: float) -> np.ndarray:
        return np.full((1, DRAWS), value)

    log_theta = -shape * np.log(eta * THOUSAND_KM) + np.log(hazard_factor)
    index = np.zeros(1, dtype=int)
    return LifeDraws(one(log_theta), one(shape), one(1.0), one(1.0 / DRAWS), np.zeros((1, DRAWS)), index, index)


def chance(state: PartState, draws: LifeDraws, later: LifeDraws | None = None, ahead_km: float = 5000.0) -> float:
    groups = groups_of([state], draws, lambda _: later if later is not None else draws)
    found = failure_chance(groups, draws, np.array([ahead_km]), np.array([365.0]))
    assert np.ptp(found) < 1e-9
    return float(found[0, 0])


@pytest.mark.parametrize(
    "shape, eta, factor, expected",
    [(1.7, 42.0, 1.0, 0.1790), (1.7, 42.0, 1.5, 0.2561), (1.5, 130.0, 1.0, 0.0317)],
)
def test_conditional_chance_of_a_part_of_known_age(shape: float, eta: float, factor: float, expected: float) -> None:
    # 1 - exp(-(H(43) - H(38))), worked by hand from the Weibull cumulative hazard
    state = PartState("part", 38_000.0, 2000.0, 38_000.0, 2000.0)
    assert chance(state, life(shape, eta, factor)) == pytest.approx(expected, abs=5e-5)


def test_unknown_history_with_a_superseded_part() -> None:
    # first part 1.7 / 42, later ones 1.5 / 130, machine at 38: 0.430 original, 0.089 (simulated, +/- 0.001)
    state = PartState("part", 38_000.0, 2000.0, stratum=0, renewal_stratum=1)
    first, later = life(1.7, 42.0), life(1.5, 130.0)
    assert chance(state, first, later) == pytest.approx(0.089, abs=0.0015)
    group = groups_of([state], first, lambda _: later)[0]
    assert group.weight[0, 0, -1] == pytest.approx(0.430, abs=0.003)


def test_a_bent_life_that_is_all_but_over_has_a_chance_of_one_and_no_warning() -> None:
    bend = Bend.of(np.array([0.0, 0.3, 2.0]), np.full((2, DRAWS), 1.2), 3.0)
    draws = replace(life(3.0, 10.0), bent=(bend,))
    assert chance(PartState("part", 60_000.0, 2000.0), draws, ahead_km=200_000.0) == pytest.approx(1.0, abs=1e-9)


def test_chances_read_off_a_grid_are_those_worked_at_each_draw() -> None:
    rng = np.random.default_rng(4)
    exact = life(1.0, 50.0)
    spread = replace(
        exact,
        log_theta=np.log(2.0) + rng.normal(0.0, 1.0, (1, DRAWS)),
        shape=2.2 * np.exp(rng.normal(0.0, 0.25, (1, DRAWS))),
        clock_weight=rng.choice([0.5, 1.0], (1, DRAWS)),
        renewal_rate=np.full((1, DRAWS), 0.4),
    )
    state = PartState("part", 38_000.0, 2000.0)
    km, days, part = np.array([5000.0]), np.array([365.0]), np.zeros(1, dtype=int)
    read = failure_chance(groups_of([state], spread, lambda _: spread), spread, km, days)
    worked = failure_chance([unknown_group([state], spread, part)], spread, km, days)
    gains = np.array([[1.0], [1.8]]) * np.exp(rng.normal(0, 0.1, (2, DRAWS)))
    bent = replace(spread, bent=(Bend.of(np.array([0.0, 0.5, 40.0]), gains, 2.2),))
    bent_read = failure_chance(groups_of([state], bent, lambda _: bent), bent, km, days)
    bent_worked = failure_chance([unknown_group([state], bent, part)], bent, km, days)
    assert bent_read.mean() > 1.05 * read.mean()
    assert bent_read.mean() == pytest.approx(bent_worked.mean(), rel=0.02)
    # the table of ages is linear between its entries, which single draws show
    assert np.quantile(np.abs(read / worked - 1.0), 0.9) < 0.05
    assert abs(read.mean() / worked.mean() - 1.0) < 0.005


def test_known_not_to_be_the_original() -> None:
    state = PartState("part", 38_000.0, 2000.0, stratum=0, renewal_stratum=1, not_original=True)
    first, later = life(1.7, 42.0), life(1.5, 130.0)
    # the rest of the mixture above: (0.089 - 0.430 * 0.1790) / 0.570
    assert chance(state, first, later) == pytest.approx((0.089 - 0.430 * 0.1790) / 0.570, abs=0.003)


def test_random_failures_do_not_depend_on_what_is_known() -> None:
    exponential = life(1.0, 50.0)
    expected = -np.expm1(-5.0 / 50.0)
    states = {
        "known": PartState("part", 38_000.0, 2000.0, 10_000.0, 500.0),
        "unknown": PartState("part", 38_000.0, 2000.0),
        "not original": PartState("part", 38_000.0, 2000.0, not_original=True),
        "watched": PartState("part", 38_000.0, 2000.0, watched_km=20_000.0, watched_days=1000.0),
        "bounded": PartState("part", 38_000.0, 2000.0, earliest_km=30_000.0, earliest_days=1500.0),
        "used": PartState("part", 38_000.0, 2000.0, 3000.0, 200.0, used=True),
    }
    for state in states.values():
        assert chance(state, exponential) == pytest.approx(expected, rel=1e-6)


def test_what_is_known_of_the_age_counts() -> None:
    wearing = life(3.0, 40.0)
    unknown = chance(PartState("part", 60_000.0, 3000.0), wearing)
    watched = chance(PartState("part", 60_000.0, 3000.0, watched_km=30_000.0, watched_days=1500.0), wearing)
    young = chance(PartState("part", 60_000.0, 3000.0, earliest_km=45_000.0, earliest_days=2200.0), wearing)
    assert young < unknown < watched


@pytest.mark.parametrize("time, expected", [(0.5, 0.230794), (1.0, 0.753691), (2.0, 1.894039)])
def test_renewal_function(time: float, expected: float) -> None:
    # Weibull(shape 2, scale 1); R discretisation and relife 3.0.0 agree to 1e-5
    steps = 800
    edges = np.maximum((np.arange(steps + 2) - 0.5) * time / steps, 0.0)
    mass = -np.diff(np.exp(-(edges**2)))[None]
    masses = renewal_masses(mass[:, :-1], np.concatenate([[[0.0]], mass[:, 1:-1]], axis=1))
    last_half = 0.5 * masses[0, -1]  # the lattice's last step reaches half a step past the time
    assert masses.sum() - last_half == pytest.approx(expected, rel=3e-3)


def test_ages_of_random_failures_are_exponential_cut_at_the_machine() -> None:
    zero, one = np.zeros(1), np.ones(1)
    original, ages, weights = age_weights((zero, one), (zero, one), np.array([1.5]), (zero, zero), 400)
    assert original[0] == pytest.approx(np.exp(-1.5), rel=5e-3)
    for bound in (0.3, 0.7, 1.2):
        assert weights[0, ages[0] <= bound].sum() == pytest.approx(-np.expm1(-bound), abs=5e-3)


@pytest.mark.parametrize("shape", [0.8, 1.5, 3.0])
def test_the_table_agrees_with_simulated_renewals(shape: float) -> None:
    rng = np.random.default_rng(8)
    now, count = 2.3, 40_000
    start = np.zeros(count)
    alive = np.ones(count, dtype=bool)
    while alive.any():
        end = start[alive] + rng.weibull(shape, alive.sum())
        passed = end < now
        index = np.flatnonzero(alive)
        start[index[passed]] = end[passed]
        alive[index[~passed]] = False
    original, fraction = age_table().look_up(np.array([shape]), np.array([now]), np.zeros(1))
    assert original[0] == pytest.approx((start == 0).mean(), abs=0.01)
    later = now - start[start > 0]
    assert (fraction[0] * now).mean() == pytest.approx(later.mean(), rel=0.03)
