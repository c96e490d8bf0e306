"""What a part's own history says of its life.

Expected values: renewal theory (Cox, 1962: an exponential life renews at its own rate; a density tends to one over the
mean life) and simulated renewals and histories with seeds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.special import gamma

from analytics.age_groups import groups_of
from analytics.life_draws import LifeDraws
from analytics.life_model_types import PartState
from analytics.own_history import _density, weights_with_history
from analytics.risk_pieces import DRAWS
from analytics.spells import Quality
from analytics.survival_draws import of_average_machine

SHAPE = 2.5


def lives(rng: np.random.Generator, spread: float = 0.6) -> LifeDraws:
    """A life in doubt: scale 10 years give or take, calendar clock (log theta is on tens of years)."""
    return LifeDraws(
        log_theta=SHAPE * rng.normal(0.0, spread, (1, DRAWS)),
        shape=np.full((1, DRAWS), SHAPE),
        clock_weight=np.zeros((1, DRAWS)),
        weight=np.full((1, DRAWS), 1.0 / DRAWS),
        renewal_rate=np.zeros((1, DRAWS)),
        fit=np.zeros(1, dtype=int),
        row=np.zeros(1, dtype=int),
    )


@dataclass(frozen=True)
class FitStub:
    """What `weights_with_history` reads of a fit."""

    has_strata: bool = False
    failures: float = 50.0


def weigh(state: PartState, draws: LifeDraws, fit: FitStub | None = None) -> np.ndarray:
    groups = groups_of([state], draws, lambda _: draws)
    return weights_with_history([state], groups, draws, [fit or FitStub()])  # type: ignore[list-item]


def test_a_density_of_renewals() -> None:
    ages = np.array([0.2, 0.9, 1.7, 4.0])
    assert _density(np.ones(4), ages) == pytest.approx(np.ones(4), rel=0.03)
    assert _density(np.array([3.0]), np.array([5.9])) == pytest.approx(1 / gamma(1 + 1 / 3.0), rel=0.03)
    drawn = np.random.default_rng(1).weibull(SHAPE, (100_000, 12)).cumsum(axis=1)
    for age in ages:
        simulated = ((drawn > age - 0.03) & (drawn < age + 0.03)).sum() / 100_000 / 0.06
        assert _density(np.array([SHAPE]), np.array([age]))[0] == pytest.approx(simulated, rel=0.06)


def test_a_factory_part_is_weighed_by_its_survival() -> None:
    draws = lives(np.random.default_rng(2))
    weight = weigh(PartState("part", 30_000.0, 2922.0, 30_000.0, 2922.0), draws)
    survival = np.exp(-np.exp(draws.log_theta) * 0.8**SHAPE)
    assert weight == pytest.approx(survival / survival.sum())


@pytest.mark.parametrize(("age", "fitted", "learnt"), [(1.5, 0.6, 0.08), (1.5, 1.2, -0.25), (2.0, 0.0, 0.9)])
def test_histories_weigh_lives_as_they_arise(age: float, fitted: float, learnt: float) -> None:
    """Machines whose lives are drawn from the prior: those with one history have the mean life the weights say.

    `learnt` is about what they have; the mean of the prior is 0. Ages are in tens of years.
    """
    rng = np.random.default_rng(3)
    scale = np.exp(-rng.normal(0.0, 0.6, 400_000))
    drawn = scale[:, None] * rng.weibull(SHAPE, (len(scale), 20))
    starts = np.concatenate([np.zeros((len(scale), 1)), drawn.cumsum(axis=1)], axis=1)
    last = starts[np.arange(len(scale)), (starts <= age).sum(axis=1) - 1]  # fitting of the part now on
    mine = last == 0.0 if fitted == 0.0 else np.abs(last - fitted) < 0.05
    draws = lives(np.random.default_rng(4))
    days = 3652.5
    weight = weigh(PartState("part", 30_000.0, age * days, 15_000.0, (age - fitted) * days), draws)
    told = (weight * -draws.log_theta / SHAPE).sum()
    assert told == pytest.approx(np.log(scale[mine]).mean(), abs=0.06)
    assert told == pytest.approx(learnt, abs=0.1)


def test_what_is_not_a_plain_history_says_nothing() -> None:
    draws = lives(np.random.default_rng(5))
    plain = PartState("part", 30_000.0, 2922.0, 10_000.0, 900.0)
    silent = [
        PartState("part", 30_000.0, 2922.0),
        replace(plain, quality=int(Quality.PATTERN)),
        replace(plain, used=True),
        replace(plain, repair_km=5000.0, repair_days=400.0),
    ]
    for state in silent:
        assert weigh(state, draws) == pytest.approx(draws.weight)
    for fit in (FitStub(has_strata=True), FitStub(failures=3.0)):
        assert weigh(plain, draws, fit) == pytest.approx(draws.weight)
    assert weigh(plain, draws) != pytest.approx(draws.weight)


def test_an_average_machine_s_hazard_undoes_what_gentle_machines_make_of_all_together() -> None:
    """Gamma frailty of mean 1 and variance v: all together survive as (1 + v H)**(-1/v) (Vaupel and others, 1979)."""
    hazard = np.array([0.05, 0.3, 0.7, 1.5])
    between = np.array([[0.0, 0.05, 0.2]]).T
    together = np.where(between > 0, np.log1p(between * hazard) / np.maximum(between, 1e-12), hazard)
    np.testing.assert_allclose(of_average_machine(together, np.maximum(between, 1e-9)), np.tile(hazard, (3, 1)), 1e-6)
    np.testing.assert_array_equal(of_average_machine(hazard, np.zeros(1)), hazard)
