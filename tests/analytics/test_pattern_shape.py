"""Pattern-made parts of another shape: both lives are found, and neither spoils the other."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.risk import assess, life_summary
from analytics.spells import Cell, Quality, Spells
from tests.analytics.pooling_cases import ONE_CELL, make_spells

YEAR = 365.25
PRIOR = LifePrior(1.8, scale_years=10.0)
PLAIN, PATTERN = (2.2, 11.0), (0.8, 7.0)  # shape, life in years; invented


def two_makes(seed: int, ordinary: int = 500, pattern: int = 250) -> Spells:
    rng = np.random.default_rng(seed)
    life = np.r_[PLAIN[1] * rng.weibull(PLAIN[0], ordinary), PATTERN[1] * rng.weibull(PATTERN[0], pattern)]
    end = rng.uniform(1.0, 9.0, ordinary + pattern)
    quality = np.r_[np.full(ordinary, Quality.ORIGINAL), np.full(pattern, Quality.PATTERN)]
    return make_spells(0.0, np.minimum(life, end) * YEAR, (life < end).astype(int), quality=quality)


def chance(fit: object, quality: Quality, age: float) -> tuple[float, float]:
    state = PartState("part", 5000.0 * age, age * YEAR, 5000.0 * age, age * YEAR, quality=int(quality))
    found = assess([fit], [state], ONE_CELL[0], Horizon(None, YEAR), 5000 / YEAR, level=0.98)[0].chance_in_horizon
    return found.low, found.high


def true_chance(life: tuple[float, float], age: float) -> float:
    return float(-np.expm1((age / life[1]) ** life[0] - ((age + 1) / life[1]) ** life[0]))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_make_keeps_its_own_shape(seed: int) -> None:
    fit = fit_component(two_makes(seed), PRIOR, component="part")
    shape = life_summary(fit, ONE_CELL[0], level=0.98).shape
    assert shape.low < PLAIN[0] < shape.high
    for age in (2.0, 6.0):
        for quality, life in ((Quality.ORIGINAL, PLAIN), (Quality.PATTERN, PATTERN)):
            low, high = chance(fit, quality, age)
            assert low < true_chance(life, age) < high
            assert high < 6.0 * low  # it is the data that say so, not a wide answer


def test_the_ordinary_part_is_fitted_as_if_there_were_no_pattern_parts() -> None:
    spells = two_makes(4)
    alone = fit_component(spells.subset(spells.quality != Quality.PATTERN), PRIOR, component="part")
    both = fit_component(spells, PRIOR, component="part")
    shapes = [life_summary(fit, ONE_CELL[0]).shape.value for fit in (alone, both)]
    assert shapes[1] == pytest.approx(shapes[0], rel=0.05)


def test_pattern_parts_of_the_same_life_are_not_bent() -> None:
    rng = np.random.default_rng(6)
    life, end = PLAIN[1] * rng.weibull(PLAIN[0], 700), rng.uniform(1.0, 9.0, 700)
    quality = np.r_[np.full(400, Quality.ORIGINAL), np.full(300, Quality.PATTERN)]
    spells = make_spells(0.0, np.minimum(life, end) * YEAR, (life < end).astype(int), quality=quality)
    fit = fit_component(spells, PRIOR, component="part")
    mean, sd = fit.pattern_shape
    assert abs(mean) < 2.5 * sd
    low, high = chance(fit, Quality.PATTERN, 5.0)
    assert low < true_chance(PLAIN, 5.0) < high


def test_without_pattern_failures_it_is_the_prior() -> None:
    spells = two_makes(7, pattern=0)
    np.testing.assert_allclose(fit_component(spells, PRIOR, component="part").pattern_shape, [0.0, 0.3])


def test_bad_copies_of_one_model_s_part_do_not_raise_its_ordinary_part() -> None:
    """Copies are as good as the original on nine models and bad on the tenth, whose ordinary part is what is asked."""
    rng = np.random.default_rng(8)
    cells = tuple(Cell(f"make {k % 3}", f"family {k % 5}", f"model {k}") for k in range(10))
    cell = np.repeat(np.arange(10), 240)
    made = np.tile(np.arange(240) % 2 == 1, 10)
    bad = made & (cell == 9)
    scale = np.where(bad, 3.0, PLAIN[1])
    life, end = scale * rng.weibull(PLAIN[0], len(cell)), rng.uniform(1.0, 9.0, len(cell))
    quality = np.where(made, Quality.PATTERN, Quality.ORIGINAL)
    spells = make_spells(
        0.0, np.minimum(life, end) * YEAR, (life < end).astype(int), quality=quality, cell=cell, cells=cells
    )
    fit = fit_component(spells, PRIOR, component="part")

    def asked(model: int, kind: Quality) -> float:
        state = PartState("part", 20_000.0, 4 * YEAR, 20_000.0, 4 * YEAR, quality=int(kind))
        return assess([fit], [state], cells[model], Horizon(None, YEAR), 5000 / YEAR)[0].chance_in_horizon.value

    right = true_chance(PLAIN, 4.0)
    assert asked(9, Quality.ORIGINAL) == pytest.approx(right, rel=0.25)
    assert asked(9, Quality.PATTERN) == pytest.approx(true_chance((PLAIN[0], 3.0), 4.0), rel=0.25)
    assert asked(3, Quality.PATTERN) == pytest.approx(right, rel=0.35)
