"""A superseded part whose number nobody read: of either issue, as often as parts of each are on record."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.life_model_types import LifePrior, PartState
from analytics.new_life import fitted_life
from analytics.pooling import fit_component
from analytics.risk import RiskTable
from analytics.spells import Cell
from tests.analytics.pooling_cases import weibull_spells

CELL, NAMES = Cell("make", "family", "model"), ("cells", "positions", "shops")
SHAPE, EARLY, LATE = 2.5, 4.0, 12.0  # years, invented
PARTS = (300, 900)


@pytest.fixture(scope="module")
def table() -> RiskTable:
    rng = np.random.default_rng(4)
    lives = zip(PARTS, (EARLY, LATE), strict=True)
    parts = [weibull_spells(rng, n, SHAPE, life, stratum=k) for k, (n, life) in enumerate(lives)]
    columns = {f: np.concatenate([getattr(p, f) for p in parts]) for f in parts[0].__dict__ if f not in NAMES}
    merged = type(parts[0])(**columns, **{f: getattr(parts[0], f) for f in NAMES})
    return RiskTable.from_fits([fit_component(merged, LifePrior(2.0, scale_years=30.0), component="part")])


def died(table: RiskTable, stratum: int) -> float:
    """Chance not to come to three years."""
    life = fitted_life(table, "part", CELL, clock="days", km_per_day=10.0, stratum=stratum)
    return float(life.weight @ -np.expm1(-life.hazard(np.array([3.0 * 365.25]))[:, 0]))


def test_it_dies_as_the_mixture_of_both(table: RiskTable) -> None:
    fit = table.fits[0]
    seen = np.array([fit.evidence[fit.rows_for(CELL, s, None)[0], 1] for s in (0, 1)])
    early, late = died(table, 0), died(table, 1)
    assert early > 5 * late
    assert died(table, -1) == pytest.approx(float(seen @ [early, late] / seen.sum()), rel=0.05)


def test_the_interval_holds_both_issues_and_not_the_catalogue(table: RiskTable) -> None:
    life = fitted_life(table, "part", CELL, clock="days", km_per_day=10.0)
    scale = life.probability(life.scale / 365.25, 0.9)
    assert scale.low < EARLY and LATE < scale.high < 20.0 < 30.0
    assert life.evidence is not None and life.evidence.prior_weight < 0.3


def test_a_known_issue_is_its_own(table: RiskTable) -> None:
    for stratum, truth in ((0, EARLY), (1, LATE)):
        life = fitted_life(table, "part", CELL, clock="days", km_per_day=10.0, stratum=stratum)
        scale = life.probability(life.scale / 365.25, 0.95)
        assert scale.low < truth < scale.high < 1.6 * scale.low


def test_a_part_that_has_reached_an_age_is_likely_of_the_lasting_issue(table: RiskTable) -> None:
    """Its own history weighs the draws: few of the early issue come to eight years."""
    from analytics.age_groups import groups_of
    from analytics.own_history import weights_with_history

    days = 8.0 * 365.25
    state = PartState("part", 40_000.0, days, 40_000.0, days)
    draws = table.draw([state], CELL)
    groups = groups_of([state], draws, lambda some: table.draw_later(some, CELL))
    weight = weights_with_history([state], groups, draws, [table.fits[0]])[0]
    short = np.exp(-draws.log_theta[0] / draws.shape[0]) < 0.7  # tens of years
    assert weight[short].sum() < 0.05 < draws.weight[0][short].sum()
