"""The pooled life model: whole refits, one record, one question, beside lifelines on the same cells in the same run.

Run: python -m tests.bench.life_model [machines ...]
Spells of 40 components on 60 models, a tenth of the first parts of unknown start, from tests.worlds.simulate. Times
are processor time of one thread, best of the repeats; goals are those of the project's issue on the life model.
"""

from __future__ import annotations

import itertools
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: its threads would not be like for like

import resource
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from lifelines import WeibullFitter

from analytics.life_model_types import Horizon, PartState
from analytics.pooling import fit_component
from analytics.risk import RiskTable, assess
from analytics.spells import Outcome, Spells
from analytics.sufficient_stats import SufficientStats
from tests.worlds.evaluate import fit_world
from tests.worlds.simulate import World, WorldSettings, make_world

REFIT_GOALS = {100_000: 1.0, 1_000_000: 2.0}  # seconds, at about so many spells
PARTS = 51
RECORD_GOAL_MS, COMPONENT_GOAL_MS, QUESTION_GOAL_MS = 0.1, 50.0, 3.0


def best(call: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Least processor time in seconds, and the result."""
    times, result = [], None
    for _ in range(repeats):
        start = time.process_time()
        result = call()
        times.append(time.process_time() - start)
    return min(times), result


def line(what: str, value: float, unit: str, goal: float | None = None) -> None:
    verdict = "" if goal is None else f"   to reach {goal:g} {unit}: {'yes' if value <= goal else 'NO'}"
    print(f"{what:<58}{value:>10.3f} {unit}{verdict}")


def lifelines_per_cell(world: World, cells: int = 40) -> float:
    """Seconds a cell of one-cell fits with late entry, over cells that have two failures at least."""
    took, done = 0.0, 0
    for spells in world.spells:
        known = spells.subset(spells.known_start & (spells.outcome != Outcome.FAILED_BETWEEN))
        for cell in np.unique(known.cell):
            own = known.subset(known.cell == cell)
            entry, exit_ = own.entry_days - own.start_days, own.exit_days - own.start_days
            if (own.outcome == Outcome.FAILED).sum() < 2 or (exit_ <= entry).any():
                continue
            start = time.process_time()
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                WeibullFitter().fit(exit_, own.outcome == Outcome.FAILED, entry=entry)
            took, done = took + time.process_time() - start, done + 1
            if done == cells:
                return took / done
    return took / max(done, 1)


def question(world: World, table: RiskTable, known: bool) -> Callable[[], object]:
    age = (12_000.0, 1200.0) if known else (None, None)
    places = itertools.product((None, "rear"), (t.name for t in world.truths))  # some parts are on it twice
    states = [PartState(name, 30_000.0, 3000.0, *age, position=at) for at, name in itertools.islice(places, PARTS)]
    return lambda: assess(table, states, world.cells[3], Horizon(5000.0, 365.25), 10.0)


def one_record(spells: Spells, repeats: int = 400) -> float:
    stats = SufficientStats.from_spells(spells)
    took, _ = best(lambda: [stats.add(spells, i % len(spells)) for i in range(repeats)], 5)
    return 1e3 * took / repeats


def main(machines: Sequence[int] = (1650, 16_500)) -> None:
    """One block a size: about 1e5 and 1e6 spells."""
    for count in machines:
        world = make_world(12, WorldSettings(machines=count))
        spells = sum(map(len, world.spells))
        print(f"\n{count} machines, {spells} spells, 40 components, 60 models")
        goal = next((g for size, g in REFIT_GOALS.items() if 0.7 * size < spells < 1.4 * size), None)
        refit, fits = best(lambda world=world: fit_world(world), 2)
        line("whole refit, spells of unknown start included", refit, "s", goal)
        one = lifelines_per_cell(world)
        cells = sum(len(np.unique(s.cell)) for s in world.spells)
        line(f"lifelines, one cell ({cells} cells in all: {one * cells:.0f} s)", 1e3 * one, "ms")
        print(f"{'ratio for all cells':<58}{one * cells / refit:>10.0f} x")
        line("statistics of one record", one_record(world.spells[5]), "ms", RECORD_GOAL_MS)
        single, _ = best(lambda world=world: fit_component(world.spells[5], world.truths[5].prior), 3)
        line("one component refitted from its spells", 1e3 * single, "ms", COMPONENT_GOAL_MS)
        table = RiskTable.from_fits(fits)
        for known in (True, False):
            took, _ = best(question(world, table, known), 15)
            what = f"one machine, {PARTS} parts of {'known' if known else 'unknown'} start"
            line(what, 1e3 * took, "ms", QUESTION_GOAL_MS)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line("\npeak memory, worlds included", peak, "MiB", 1024.0)


if __name__ == "__main__":
    main(*[[int(a) for a in sys.argv[1:]]] if sys.argv[1:] else [])
