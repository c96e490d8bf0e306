"""Draws of lives are kept with their fits: what is asked again, with other parts beside it, is answered the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics import risk_pieces
from analytics.component_fit import ComponentFit
from analytics.life_model_types import Chance, Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.risk import RiskTable, assess
from analytics.risk_pieces import KeptDraws
from analytics.spells import Cell
from tests.worlds.simulate import WorldSettings, make_world

HORIZON = Horizon(5000.0, 365.25)


@pytest.fixture(scope="module")
def fits() -> list[ComponentFit]:
    world = make_world(21, WorldSettings(machines=120, components=3))
    return [
        fit_component(spells, LifePrior(2.0, scale_years=9.0), component=truth.name)
        for spells, truth in zip(world.spells, world.truths, strict=True)
    ]


@pytest.fixture(scope="module")
def cells() -> list[Cell]:
    return list(make_world(21, WorldSettings(machines=120, components=3)).cells)


def unkept(fits: list[ComponentFit]) -> RiskTable:
    """A table of fits that have kept nothing."""
    return RiskTable.from_fits([replace(fit) for fit in fits])


def states(fits: list[ComponentFit], **more: object) -> list[PartState]:
    return [
        PartState(fit.component, 31_000.0, 3000.0, *age, **more)
        for fit in fits
        for age in ((8000.0, 900.0), (None, None))
    ]


def ask(table: RiskTable, asked: list[PartState], cell: Cell) -> list[Chance]:
    return assess(table, asked, cell, HORIZON, 12.0)


def test_the_same_again_in_another_order_and_alone(fits: list[ComponentFit], cells: list[Cell]) -> None:
    table, asked = unkept(fits), states(fits)
    first = ask(table, asked, cells[0])
    assert ask(table, asked, cells[0]) == first
    assert ask(table, asked[::-1], cells[0]) == first[::-1]
    assert [ask(unkept(fits), [one], cells[0])[0] for one in asked] == first


def test_what_tells_draws_apart_is_not_mixed_up(fits: list[ComponentFit], cells: list[Cell]) -> None:
    table = unkept(fits)
    kinds = [(cell, more) for cell in cells[:4] for more in ({}, {"quality": 2}, {"stratum": 0}, {"position": "front"})]
    for cell, more in kinds * 2:
        asked = states(fits, **more)
        assert ask(table, asked, cell) == ask(unkept(fits), asked, cell)


def test_too_many_are_given_up_and_made_again(
    fits: list[ComponentFit], cells: list[Cell], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(risk_pieces, "MOST_KEPT", 3)
    table, asked = unkept(fits), states(fits)
    first = [ask(table, asked, cell) for cell in cells[:8]]
    assert [ask(table, asked, cell) for cell in cells[:8]] == first
    assert sum(len(kept) for kept in KeptDraws._everywhere) <= 3


def test_a_new_table_takes_over_what_the_fits_that_stay_have_kept(fits: list[ComponentFit], cells: list[Cell]) -> None:
    table = unkept(fits)
    ask(table, states(fits), cells[0])
    other = RiskTable.from_fits([*table.fits[:2], replace(fits[2])])
    assert [len(kept) for kept in other._kept] == [1, 1, 0]
    np.testing.assert_array_equal(
        other.draw(states(fits), cells[0]).log_theta, table.draw(states(fits), cells[0]).log_theta
    )
