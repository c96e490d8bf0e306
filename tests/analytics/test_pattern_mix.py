"""Parts of unknown start that may be pattern-made, against the true chance in a simulated renewal process."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.age_groups import groups_of, unknown_group
from analytics.component_fit import ComponentFit
from analytics.fleet_parts import fleet_of
from analytics.fleet_path import hazard_ahead
from analytics.fleet_types import FleetMachine
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pattern_mix import pattern_shares
from analytics.pooling import fit_component
from analytics.risk import assess
from analytics.risk_draws import RiskTable
from analytics.spells import Quality, Spells
from analytics.survival_draws import failure_chance
from tests.analytics.pooling_cases import ONE_CELL, make_spells

YEAR = 365.25
RATE = 5000.0 / YEAR
PLAIN, BAD, BAD_SHARE = (2.0, 9.0), (0.8, 3.0), 1 / 3  # shape, life in years


def next_lives(rng: np.random.Generator, n: int, bad: np.ndarray) -> np.ndarray:
    return np.where(bad, BAD[1] * rng.weibull(BAD[0], n), PLAIN[1] * rng.weibull(PLAIN[0], n))


@pytest.fixture(scope="module")
def records() -> Spells:
    """Every life of 900 machines over 16 years, from new, with the make of each part."""
    rng, rows = np.random.default_rng(21), []
    machine, start, bad = np.arange(900), np.zeros(900), np.zeros(900, dtype=bool)
    while len(machine):
        gone = start + next_lives(rng, len(machine), bad)
        rows.append((machine, start, np.minimum(gone, 16.0), gone <= 16.0, bad))
        again = gone < 16.0
        machine, start = machine[again], gone[again]
        bad = rng.random(len(machine)) < BAD_SHARE
    machine, start, end, failed, bad = (np.concatenate(c) for c in zip(*rows, strict=True))
    return make_spells(
        start * YEAR,
        end * YEAR,
        failed.astype(int),
        start_days=start * YEAR,
        machine=machine,
        quality=np.where(bad, Quality.PATTERN, Quality.ORIGINAL).astype(int),
        not_original=start > 0,
    )


@pytest.fixture(scope="module")
def fit(records: Spells) -> ComponentFit:
    return fit_component(records, LifePrior(1.8, scale_years=9.0), component="part")


def true_chance(years: float, not_original: bool, watched: float) -> float:
    """Of the machines this old whose part was not renewed since `watched`, those whose part fails in a year."""
    n = 400_000
    rng = np.random.default_rng(5)
    start, first = np.zeros(n), np.ones(n, dtype=bool)
    end = next_lives(rng, n, np.zeros(n, dtype=bool))
    while (dead := end < years).any():
        some = np.flatnonzero(dead)
        start[some], first[some] = end[some], False
        end[some] += next_lives(rng, len(some), rng.random(len(some)) < BAD_SHARE)
    met = (start <= watched) & ~(first & not_original)
    return float((end[met] < years + 1).mean())


def state(years: float, not_original: bool, watched: float, quality: Quality = Quality.UNKNOWN) -> PartState:
    return PartState(
        "part", years * 5000.0, years * YEAR, not_original=not_original, quality=int(quality),
        watched_km=watched * 5000.0, watched_days=watched * YEAR,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("years", "not_original", "watched"), [(8.0, False, 8.0), (8.0, True, 8.0), (14.0, True, 14.0), (14.0, True, 11.0)]
)
def test_the_chance_is_that_of_all_makes(fit: ComponentFit, years: float, not_original: bool, watched: float) -> None:
    truth = true_chance(years, not_original, watched)
    mixed, plain = (
        assess([fit], [state(years, not_original, watched, q)], ONE_CELL[0], Horizon(None, YEAR), RATE)[0]
        for q in (Quality.UNKNOWN, Quality.ORIGINAL)
    )
    found = mixed.chance_in_horizon
    assert found.low < truth < found.high
    assert found.value == pytest.approx(truth, rel=0.1)
    if not_original:
        assert abs(plain.chance_in_horizon.value - truth) > 2 * abs(found.value - truth)


def test_the_share_is_that_of_the_replacements_whose_make_is_told(records: Spells, fit: ComponentFit) -> None:
    later = records.not_original
    share = (records.quality[later] == Quality.PATTERN).mean()
    assert pattern_shares(records)[0][0] == pytest.approx(share, abs=0.005)
    np.testing.assert_allclose(fit.pattern_share, pattern_shares(records)[1], atol=0.005)
    untold = replace(records, quality=np.full(len(records), int(Quality.UNKNOWN)))
    assert pattern_shares(untold)[1] == 0.0


def test_the_grid_of_lives_agrees_with_the_draws(fit: ComponentFit) -> None:
    table = RiskTable.from_fits([fit])
    asked = [state(14.0, True, 11.0)]
    draws = table.draw(asked, ONE_CELL[0])
    ahead = np.array([5000.0]), np.array([YEAR])
    read = failure_chance(groups_of(asked, draws, lambda _: draws), draws, *ahead)
    worked = failure_chance([unknown_group(asked, draws, np.zeros(1, dtype=int))], draws, *ahead)
    assert abs((read * draws.weight).sum() / (worked * draws.weight).sum() - 1.0) < 0.01
    assert np.quantile(np.abs(read / worked - 1.0), 0.9) < 0.05


def test_a_fleet_counts_with_the_same_mixture(fit: ComponentFit) -> None:
    asked = state(14.0, True, 14.0)
    one = assess([fit], [asked], ONE_CELL[0], Horizon(None, YEAR), RATE)[0].chance_in_horizon.value
    fleet = fleet_of(RiskTable.from_fits([fit]), [FleetMachine(ONE_CELL[0], RATE, (asked,))] * 60)
    (group,) = fleet.groups
    now, later = hazard_ahead(group, np.full(60, RATE), np.array([0.0, YEAR]))
    assert -np.expm1(now - later).mean() == pytest.approx(one, rel=0.05)
