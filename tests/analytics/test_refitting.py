"""A component refitted after a new line is what a fit from scratch makes of the same records.

Sums and the spells left out of them agree to rounding. The nodes rest on other random points, so that chances agree as
those of fits with other seeds do: root mean squares over all components within half as much again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.component_fit import ComponentFit
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.refitting import MOST_CHANGED, KeptFit, fit_to_keep, refit
from analytics.risk import assess
from analytics.soft_terms import LeftOut
from analytics.spells import Outcome, Quality, Removal, Spells
from analytics.sufficient_stats import SufficientStats
from tests.worlds.simulate import World, WorldSettings, make_world

ROUNDING = 1e-9
OTHER_SEEDS, NO_MORE_THAN = (1, 2, 3), 1.5
COMPONENTS = (0, 1, 2, 3, 4, 5)


@pytest.fixture(scope="module")
def world() -> World:
    return make_world(41, WorldSettings(machines=400, components=6))


def failed(spells: Spells, at: int) -> Spells:
    """The records after the part of one row, still fitted, has failed halfway and another was put in."""
    km, days = (0.5 * (getattr(spells, f"entry_{c}")[at] + getattr(spells, f"exit_{c}")[at]) for c in ("km", "days"))
    columns = {name: np.insert(getattr(spells, name), at + 1, getattr(spells, name)[at]) for name in SPELL_COLUMNS}
    for clock, now in (("km", km), ("days", days)):
        columns[f"exit_{clock}"][at] = now
        for what in ("start", "entry", "lower"):
            columns[f"{what}_{clock}"][at + 1] = now
    columns["outcome"][at], columns["removal"][at] = Outcome.FAILED, Removal.FAILED
    columns["not_original"][at + 1] = True
    return replace(spells, **columns)


SPELL_COLUMNS = tuple(f for f in Spells.__dataclass_fields__ if f not in ("cells", "positions", "shops"))


def still_fitted(spells: Spells, count: int) -> list[int]:
    open_ = np.flatnonzero((spells.outcome == Outcome.CENSORED) & (spells.quality != Quality.USED))
    long_ = open_[spells.exit_days[open_] - spells.entry_days[open_] > 200.0]
    return sorted(np.random.default_rng(5).choice(long_, count, replace=False).tolist(), reverse=True)


def after_lines(world: World, k: int, lines: int) -> tuple[ComponentFit, KeptFit, Spells]:
    """A component's fit after so many new lines, each followed by a refit."""
    spells, prior = world.spells[k], world.truths[k].prior
    fit, kept = fit_to_keep(spells, prior, component="part")
    for at in still_fitted(spells, lines):
        spells = failed(spells, at)
        found = refit(kept, spells)
        assert found is not None
        fit, kept = found
    return fit, kept, spells


def chances(fit: ComponentFit, world: World) -> np.ndarray:
    states = [PartState("part", 30_000.0, 3000.0, start, days) for start, days in ((None, None), (9_000.0, 900.0))]
    found = [
        chance.chance_in_horizon
        for cell in world.cells[::7]
        for chance in assess([fit], states, cell, Horizon(5000.0, 365.25), 10.0)
    ]
    return np.array([[p.value, p.low, p.high] for p in found])


def off(one: ComponentFit, two: ComponentFit, world: World) -> np.ndarray:
    """Differences of values and of both ends of the intervals, in half widths."""
    a, b = chances(one, world), chances(two, world)
    away: np.ndarray = np.abs(a - b) / (0.5 * (b[:, 2] - b[:, 1]))[:, None]
    return away


def test_a_refit_is_as_near_to_a_fit_from_scratch_as_other_seeds(world: World) -> None:
    refitted, seeds = [], []
    for k in COMPONENTS:
        fit, _, spells = after_lines(world, k, 3)
        prior = world.truths[k].prior
        scratch = fit_component(spells, prior, component="part")
        assert fit.failures == pytest.approx(scratch.failures, rel=1e-6)
        refitted.append(off(fit, scratch, world))
        others = [fit_component(spells, prior, component="part", seed=seed) for seed in OTHER_SEEDS]
        seeds.extend(off(other, scratch, world) for other in others)
    for column in (slice(0, 1), slice(1, 3)):  # values, ends
        mine, theirs = (_spread(found, column) for found in (refitted, seeds))
        assert mine <= NO_MORE_THAN * theirs


def _spread(found: list[np.ndarray], column: slice) -> float:
    return float(np.sqrt(np.mean([np.square(away[:, column]).mean() for away in found])))


def test_new_failures_raise_the_chances(world: World) -> None:
    before, _ = fit_to_keep(world.spells[0], world.truths[0].prior, component="part")
    after, _, _ = after_lines(world, 0, 6)
    assert after.failures == pytest.approx(before.failures + 6, abs=1e-3)
    assert chances(after, world)[:, 0].mean() > chances(before, world)[:, 0].mean()


@pytest.mark.parametrize("k", COMPONENTS)
def test_sums_and_what_they_leave_out_are_those_of_all_records(world: World, k: int) -> None:
    _, kept, _ = after_lines(world, k, 3)
    work = kept.work
    assert work.spells is not None and work.left_out is not None
    stats = SufficientStats.from_spells(work.spells)
    order = [work.stats.index[key] for key in stats.keys]
    for name in SufficientStats._BY_CELL:
        np.testing.assert_allclose(
            getattr(work.stats, name)[..., order],
            getattr(stats, name)[..., : len(order)],
            rtol=ROUNDING,
            atol=ROUNDING,
        )
    whole = LeftOut.of(work.spells, 0)
    for mine, all_ in ((work.left_out.unknown, whole.unknown), (work.left_out.late, whole.late)):
        assert (mine is None) == (all_ is None)
        if mine is not None and all_ is not None:
            np.testing.assert_array_equal(np.sort(mine.exit_km), np.sort(all_.exit_km))
            np.testing.assert_array_equal(np.sort(mine.machine), np.sort(all_.machine))


def test_nothing_new_changes_nothing(world: World) -> None:
    fit, kept = fit_to_keep(world.spells[2], world.truths[2].prior, component="part")
    found = refit(kept, world.spells[2])
    assert found is not None
    assert off(found[0], fit, world).max() < 1e-3


def test_much_that_is_new_asks_for_a_fit_from_scratch(world: World) -> None:
    spells = world.spells[1]
    _, kept = fit_to_keep(spells, world.truths[1].prior)
    many = int(MOST_CHANGED * len(spells)) + 1
    for at in still_fitted(spells, many):
        spells = failed(spells, at)
    assert refit(kept, spells) is None


def test_a_cell_that_was_not_there_asks_for_a_fit_from_scratch() -> None:
    spells = make_world(3, WorldSettings(machines=200, components=1)).spells[0]
    prior = LifePrior(2.0, 40_000.0)
    there = np.unique(spells.cell)
    _, kept = fit_to_keep(spells.subset(spells.cell != there[0]), prior)
    alone = np.flatnonzero(spells.cell == there[0])[:1]
    assert refit(kept, spells.subset(np.sort(np.append(np.flatnonzero(spells.cell != there[0]), alone)))) is None


def test_other_names_ask_for_a_fit_from_scratch(world: World) -> None:
    spells = world.spells[0]
    _, kept = fit_to_keep(spells, world.truths[0].prior)
    assert refit(kept, replace(spells, shops=(*spells.shops, "one more"))) is None
