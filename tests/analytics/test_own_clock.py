"""Eleven models age, the twelfth wears by distance: simulated, with known chances for machines little and much used."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.component_fit import ComponentFit
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.risk import assess
from analytics.spells import Cell, Outcome
from tests.analytics.pooling_cases import make_spells

YEAR, PRIOR = 365.25, LifePrior(2.0, 60_000.0, 14.0)
SHAPE, LIFE = 2.0, 9.0  # invented: years, or 5,000 km each
CELLS = tuple(Cell(f"make {k % 4}", f"family {k % 6}", f"model {k}") for k in range(12))
BY_DISTANCE = 11


def records(seed: int, machines: int = 3000) -> ComponentFit:
    rng = np.random.default_rng(seed)
    cell = rng.integers(12, size=machines)
    km_per_year = np.exp(rng.normal(np.log(4500.0), 0.65, machines))
    unit = np.where(cell == BY_DISTANCE, km_per_year / 5000.0, 1.0)  # of wear a year
    life = LIFE * rng.weibull(SHAPE, machines) / unit
    entry = rng.uniform(0.0, 6.0, machines)
    end = entry + rng.uniform(1.0, 7.0, machines)
    seen = life > entry
    outcome = np.where(life <= end, Outcome.FAILED, Outcome.CENSORED)
    spells = make_spells(
        entry[seen] * YEAR,
        np.minimum(life, end)[seen] * YEAR,
        outcome[seen],
        cell=cell[seen],
        cells=CELLS,
        km_per_day=(km_per_year[seen] / YEAR),
    )
    return fit_component(spells, PRIOR, component="part")


def answer(fit: ComponentFit, model: int, km_per_year: float, years: float) -> tuple[float, float, float]:
    state = PartState("part", km_per_year * years, years * YEAR, km_per_year * years, years * YEAR)
    rate = km_per_year / YEAR
    found = assess([fit], [state], CELLS[model], Horizon(None, YEAR), rate, level=0.95)[0].chance_in_horizon
    return found.value, found.low, found.high


def true_chance(unit: float, years: float) -> float:
    age, ahead = unit * years / LIFE, unit * (years + 1) / LIFE
    return float(-np.expm1(age**SHAPE - ahead**SHAPE))


@pytest.fixture(scope="module")
def fits() -> list[ComponentFit]:
    return [records(seed) for seed in range(1, 9)]


def on_the_component_s_clock(fit: ComponentFit) -> ComponentFit:
    return replace(fit, clock_odds=np.zeros((0, 0, 0)))


def test_a_model_that_wears_by_another_clock_is_told_apart(fits: list[ComponentFit]) -> None:
    held, off, off_on_one_clock = [], [], []
    for fit in fits:
        assert fit.mean_clock_weight < 0.3  # the component as a whole ages
        for km_per_year, years in ((2500.0, 6.0), (10_000.0, 3.0)):
            right = true_chance(km_per_year / 5000.0, years)
            value, low, high = answer(fit, BY_DISTANCE, km_per_year, years)
            common = answer(on_the_component_s_clock(fit), BY_DISTANCE, km_per_year, years)[0]
            held.append(low < right < high)
            off.append(abs(np.log(value / right)))
            off_on_one_clock.append(abs(np.log(common / right)))
    assert np.mean(held) > 0.8  # 95 % intervals, 16 of them
    assert np.mean(off) < 0.5 * np.mean(off_on_one_clock)


def test_the_other_models_keep_the_component_s_clock(fits: list[ComponentFit]) -> None:
    held = []
    for fit in fits:
        for model in range(BY_DISTANCE):
            value, low, high = answer(fit, model, 1800.0, 6.0)
            held.append(low < true_chance(1.0, 6.0) < high)
            common = answer(on_the_component_s_clock(fit), model, 1800.0, 6.0)[0]
            assert value == pytest.approx(common, rel=0.25)
    assert np.mean(held) > 0.85


def test_a_stored_fit_answers_the_same(fits: list[ComponentFit]) -> None:
    again = ComponentFit.from_document(fits[0].to_document())
    assert answer(again, BY_DISTANCE, 1800.0, 6.0) == answer(fits[0], BY_DISTANCE, 1800.0, 6.0)
