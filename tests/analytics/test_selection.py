"""Broken logs are told from full ones; simulated worlds, so the break is known."""

from __future__ import annotations

import pytest

from analytics.component_fit import ComponentFit
from analytics.pooling import fit_component
from analytics.selection import ALL_SHOPS, ShopSelection, selection_flags
from tests.worlds.broken_logs import BREAKS, Logs, full
from tests.worlds.simulate import World, WorldSettings, make_world


@pytest.fixture(scope="module")
def world() -> World:
    return make_world(31, WorldSettings(machines=700, components=12))


@pytest.fixture(scope="module")
def logs(world: World) -> Logs:
    return full(world)


def fitted(world: World, logs: Logs) -> list[ComponentFit]:
    return [fit_component(logs[t.name], t.prior, component=t.name) for t in world.truths]


def of_all(found: list[ShopSelection]) -> ShopSelection:
    return next(s for s in found if s.shop == ALL_SHOPS)


def test_full_logs_raise_no_flag(world: World, logs: Logs) -> None:
    found = selection_flags(logs, fitted(world, logs))
    assert len(found) == 13
    raised = sum(bool(s.flags) for s in found)
    assert raised <= 1, [s for s in found if s.flags]
    assert not any(s.ranking_only for s in found)
    assert not of_all(found).too_few_to_tell
    assert all(s.too_few_to_tell for s in found if s.machines < 100 and not s.flags)
    assert sum(s.machines for s in found if s.shop != ALL_SHOPS) == of_all(found).machines


@pytest.mark.parametrize("name", BREAKS)
def test_each_broken_log_is_flagged_by_the_model_fitted_to_it(world: World, logs: Logs, name: str) -> None:
    broken = BREAKS[name](logs)
    found = of_all(selection_flags(broken, fitted(world, broken)))
    assert found.flags, found
    assert found.ranking_only == (name == "failures only")


def test_too_few_machines_are_not_judged(world: World, logs: Logs) -> None:
    few = {n: s.subset(s.machine < 10) for n, s in BREAKS["failures only"](logs).items()}
    found = selection_flags(few, fitted(world, logs))
    assert all(not s.flags and not s.ranking_only for s in found)
    assert all(s.too_few_to_tell for s in found)


def test_nothing_to_judge() -> None:
    assert selection_flags({}, []) == []
