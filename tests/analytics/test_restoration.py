"""Repairs that take off part of the age: found where they were simulated, near the prior where none are on record."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import InvalidObservations
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.restoration import restored
from analytics.risk import assess
from analytics.spells import Outcome, Removal, Spells
from tests.analytics.pooling_cases import ONE_CELL, make_spells, no_spells

PRIOR = LifePrior(3.0, scale_years=8.0)
YEAR = 365.25


def repaired_lives(share: float, n: int = 700, shape: float = 3.0, life: float = 8.0) -> Spells:
    """Parts cleaned at their fifth year, if they reach it, and watched for up to four years more."""
    rng = np.random.default_rng(12)
    failure = life * rng.weibull(shape, n)
    reached = failure > 5.0
    first = make_spells(
        0.0,
        np.minimum(failure, 5.0) * YEAR,
        np.where(reached, Outcome.CENSORED, Outcome.FAILED),
        removal=np.where(reached, Removal.REPAIRED, Removal.FAILED),
    )
    m = int(reached.sum())
    young = 5.0 * (1 - share)
    # a life given that the part works at its reduced age, by inversion
    gone = life * ((young / life) ** shape + rng.exponential(size=m)) ** (1 / shape) - young
    end = np.minimum(gone, 4.0)
    second = make_spells(np.full(m, 5.0 * YEAR), (5.0 + end) * YEAR, np.where(gone < 4.0, 1, 0))
    second.repair_days[:] = 5.0 * YEAR
    second.repair_km[:] = 25_000.0
    columns = {
        f: np.concatenate([getattr(first, f), getattr(second, f)])
        for f in first.__dataclass_fields__
        if f not in ("cells", "positions", "shops")
    }
    return Spells(**columns, cells=ONE_CELL, shops=("shop",))


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_the_share_taken_off_is_found(share: float) -> None:
    fit = fit_component(repaired_lives(share), PRIOR, component="part")
    assert fit.restored_share == pytest.approx(share, abs=0.13)


def test_without_repairs_on_record_it_is_the_prior() -> None:
    fit = fit_component(no_spells(), PRIOR, component="part")
    assert 0.1 < fit.restored_share < 0.4


def test_a_repair_lowers_the_chance_as_far_as_repairs_help() -> None:
    cell, year = ONE_CELL[0], Horizon(None, YEAR)
    plain = PartState("part", 40_000.0, 8 * YEAR, 35_000.0, 7 * YEAR)
    cleaned = PartState("part", 40_000.0, 8 * YEAR, 35_000.0, 7 * YEAR, repair_km=30_000.0, repair_days=6 * YEAR)
    chances = []
    for share in (0.0, 0.5):
        fit = fit_component(repaired_lives(share), PRIOR, component="part")
        before, after = assess([fit], [plain, cleaned], cell, year, 13.7)
        chances.append(after.chance_in_horizon.value / before.chance_in_horizon.value)
    assert chances[0] == pytest.approx(1.0, abs=0.1)
    assert chances[1] < 0.6
    with pytest.raises(InvalidObservations, match="repair_km"):
        PartState("part", 40_000.0, 8 * YEAR, 35_000.0, 7 * YEAR, repair_km=39_000.0, repair_days=6 * YEAR)


def test_as_good_as_new_moves_the_start_to_the_repair() -> None:
    spells = repaired_lives(0.0, n=30)
    moved = restored(spells, 1.0)
    later = ~np.isnan(spells.repair_days)
    np.testing.assert_array_equal(moved.start_days[later], spells.repair_days[later])
    np.testing.assert_array_equal(moved.start_days[~later], spells.start_days[~later])
    assert restored(spells, 0.0) is spells
