"""A life that is not Weibull: what the test by age bins says, and how the correction ends where the data end.

Expected values are worked from the definition of the correction or simulated with a seed; none come from elsewhere.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.baseline import MISFIT_P, Bend, baseline_of
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.spells import DAYS_PER_YEAR, Cell, Outcome, Removal, Spells

SHAPE = 2.5


def lives(rng: np.random.Generator, ages: np.ndarray, rate: np.ndarray | float = 1.0) -> Spells:
    """Parts on the calendar clock watched from new until `ages` of ten years, Weibull of scale 1 unless a rate says."""
    n = len(ages)
    life = (rng.exponential(size=n) / rate) ** (1.0 / SHAPE)
    failed, end = life <= ages, np.minimum(life, ages) * 10 * DAYS_PER_YEAR
    none, zero, nowhere = np.full(n, np.nan), np.zeros(n), np.full(n, -1)
    return Spells(
        machine=np.arange(n),
        shop=np.zeros(n, dtype=int),
        cell=np.zeros(n, dtype=int),
        position=nowhere,
        stratum=nowhere,
        quality=np.zeros(n, dtype=int),
        start_km=zero,
        start_days=zero,
        not_original=np.zeros(n, dtype=bool),
        entry_km=zero,
        entry_days=zero,
        exit_km=end * 14.0,
        exit_days=end,
        lower_km=zero,
        lower_days=zero,
        repair_km=none,
        repair_days=none,
        outcome=np.where(failed, Outcome.FAILED, Outcome.CENSORED),
        removal=np.where(failed, Removal.FAILED, Removal.STILL_FITTED),
        weight=np.ones(n),
        cells=(Cell("make", "family", "model"),),
        shops=("shop",),
    )


def p_value(spells: Spells) -> float:
    n = len(spells)  # the true life is passed as the fitted one
    return baseline_of(spells, np.zeros(n), np.full(n, SHAPE), float(CLOCK_WEIGHTS[0]), np.zeros(n)).p_value


def test_weibull_lives_are_called_so_as_often_as_the_test_says() -> None:
    rng = np.random.default_rng(8)
    p = np.array([p_value(lives(rng, rng.uniform(0.1, 1.4, 300))) for _ in range(400)])
    # 400 draws: within four binomial deviations of 5 and of 20 in the hundred; two degrees of freedom are taken off
    # for a fit that is not made here, so that somewhat more fall below
    assert (p < 0.05).mean() < 0.12
    assert (p < 0.2).mean() < 0.36
    assert (p < MISFIT_P).mean() <= 0.01


def test_weak_parts_among_good_ones_are_found() -> None:
    rng = np.random.default_rng(9)
    weak = np.where(rng.random(900) < 0.1, 10.0**SHAPE, 1.0)
    assert p_value(lives(rng, rng.uniform(0.1, 1.4, 900), weak)) < MISFIT_P


def test_the_last_bin_ends_where_the_data_end() -> None:
    spells = lives(np.random.default_rng(10), np.full(400, 0.8))
    found = baseline_of(spells, np.zeros(400), np.full(400, SHAPE), float(CLOCK_WEIGHTS[0]), np.zeros(400))
    assert 0.8**SHAPE * 0.6 < found.edges[-1] < 0.8**SHAPE * 1.7  # on the scale of H, to the width of a bin
    assert found.observed.sum() == (spells.outcome == Outcome.FAILED).sum()


@pytest.mark.parametrize("last", [0.2, 0.7, 1.0, 1.6, 4.0])
def test_the_chance_of_a_part_that_wears_out_never_falls_with_age_past_the_data(last: float) -> None:
    bend = Bend.of(np.array([0.0, 0.3, 0.9]), np.array([[0.8], [last]]), SHAPE)
    ages = np.linspace(0.9 ** (1 / SHAPE), 12.0, 800)  # of lives of scale 1
    ahead = 0.1
    gain = bend.mean((ages + ahead) ** SHAPE) - bend.mean(ages**SHAPE)
    assert (np.diff(gain) >= -1e-9).all()
    drawn = bend.drawn((ages[None] + ahead) ** SHAPE) - bend.drawn(ages[None] ** SHAPE)
    assert drawn[0] == pytest.approx(gain, rel=1e-9)
    # far out the Weibull life itself is back
    weibull = (ages + ahead) ** SHAPE - ages**SHAPE
    assert gain[-1] == pytest.approx(weibull[-1], rel=1e-6)


def test_within_the_data_the_bins_hold() -> None:
    bend = Bend.of(np.array([0.0, 0.3, 0.9]), np.array([[0.5], [2.0]]), SHAPE)
    assert bend.mean(np.array([0.3, 0.9])) == pytest.approx([0.15, 0.15 + 1.2])


def test_many_hazards_at_once_are_bent_as_each_alone() -> None:
    rng = np.random.default_rng(8)
    bend = Bend.of(np.array([0.0, 0.3, 0.9, 2.0]), rng.gamma(5.0, 0.2, (3, 6)), SHAPE)
    hazard = rng.exponential(size=(6, 40, 30))
    alone = np.empty_like(hazard)
    for k, j in np.ndindex(40, 30):
        alone[:, k, j] = bend.drawn(hazard[:, k, j])
    np.testing.assert_allclose(bend.drawn(hazard), alone, rtol=1e-12)


def test_many_hazards_in_single_precision_are_bent_as_in_double():
    """Bins worked out of log H against bins searched for, on both sides of every edge and past the last."""
    edges = np.r_[0.0, np.geomspace(3e-4, 18.0, 23)[[2, 3, 9, 15]], 3.1]
    rng = np.random.default_rng(5)
    bend = Bend.of(edges, rng.gamma(5.0, 0.2, (5, 6)), SHAPE)
    near = np.outer(edges[1:], [1 - 1e-4, 1 - 1e-6, 1.0, 1 + 1e-6, 1 + 1e-4]).ravel()
    hazard = np.tile(np.concatenate([near, np.geomspace(1e-9, 40.0, 500), [0.0]]), (6, 1))
    np.testing.assert_allclose(bend.drawn(hazard.astype(np.float32)), bend.drawn(hazard), rtol=2e-6, atol=1e-12)
