"""Chances over spans of their own: the ranking's chance where the span is the horizon."""

import numpy as np
import pytest

from analytics.chances_over import chances_over
from analytics.errors import InvalidObservations
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.risk import assess
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Spells

CELL = Cell("Tindrake", "TD-T2", "Lanner 650")
STATES = [
    PartState("stator", 38_000.0, 4000.0, 20_000.0, 2000.0),
    PartState("battery", 38_000.0, 4000.0),
    PartState("stator", 38_000.0, 4000.0, not_original=True, watched_km=30_000.0, watched_days=3000.0),
]


@pytest.fixture(scope="module")
def table():
    priors = {"stator": LifePrior(1.7, 90_000.0), "battery": LifePrior(2.5, None, 5.0)}
    return RiskTable.from_fits([fit_component(Spells.empty(), p, component=name) for name, p in priors.items()])


def test_over_the_horizon_it_is_the_chance_the_ranking_gives(table):
    ranked = [c.chance_in_horizon.value for c in assess(table, STATES, CELL, Horizon(3650.0, 365.25), 10.0)]
    spans = [(3650.0, 365.0), ([3650.0] * 3, [365.0] * 3), (0.0, 0.0)]
    found = chances_over(table, STATES, CELL, spans)
    assert found[0] == pytest.approx(ranked, rel=1e-9) and found[1] == pytest.approx(ranked, rel=1e-9)
    assert found[2] == pytest.approx(0, abs=1e-12)


def test_each_part_has_its_own_span(table):
    whole = chances_over(table, STATES, CELL, [(3650.0, 365.0), (1000.0, 100.0)])
    mixed = chances_over(table, STATES, CELL, [([1000.0, 3650.0, 1000.0], [100.0, 365.0, 100.0])])[0]
    assert mixed == pytest.approx([whole[1, 0], whole[0, 1], whole[1, 2]])


def test_chances_grow_with_the_span_up_to_one(table):
    chance = chances_over(table, STATES, CELL, [(k * 1000.0, k * 100.0) for k in (0, 1, 5, 25, 500)])
    assert (np.diff(chance, axis=0) > 0).all()
    assert chance[-1] == pytest.approx(1, abs=0.01) and (chance <= 1).all()


def test_spans_that_cannot_be_are_refused(table):
    with pytest.raises(InvalidObservations, match="km"):
        chances_over(table, STATES, CELL, [(-1.0, 10.0)])
    with pytest.raises(InvalidObservations, match="days"):
        chances_over(table, STATES, CELL, [(1.0, [10.0, 10.0])])
    assert chances_over(table, [], CELL, [(1.0, 1.0)]).shape == (1, 0)
