"""The outlook of a fleet of 5,000 machines with 51 components each, and the same asked machine by machine.

Run: python -m tests.bench.fleet [machines [components]]
Lives fitted on an invented world of 800 machines; a tenth of the parts have an unknown start. Times are processor
time of one thread, best of three; sorting the fleet is done once and timed apart.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: its threads would not be like for like

import sys

import numpy as np

from analytics.fleet import outlook
from analytics.fleet_parts import fleet_of
from analytics.fleet_types import FleetMachine
from analytics.life_model_types import Horizon, PartState
from analytics.risk import RiskTable, assess
from tests.bench.life_model import best, line
from tests.worlds.evaluate import fit_world
from tests.worlds.simulate import World, WorldSettings, make_world

GOAL_S = 2.0
YEAR = 365.25


def fleet_machines(world: World, count: int, seed: int = 5) -> list[FleetMachine]:
    """Machines in use, each part either of a known age or met with the machine."""
    rng = np.random.default_rng(seed)
    names = [t.name for t in world.truths]
    models = rng.choice(world.seen_models, size=count)
    out = []
    for model in models:
        days, rate = float(rng.uniform(1.0, 15.0) * YEAR), float(np.exp(rng.normal(np.log(4200.0), 0.6)) / YEAR)
        share, unknown = rng.random(len(names)), rng.random(len(names)) < 0.1
        states = [
            PartState(n, days * rate, days, watched_km=0.7 * days * rate, watched_days=0.7 * days)
            if lost
            else PartState(n, days * rate, days, s * days * rate, s * days)
            for n, s, lost in zip(names, share, unknown, strict=True)
        ]
        out.append(FleetMachine(world.cells[int(model)], rate, states))
    return out


def main(count: int = 5000, components: int = 51) -> None:
    world = make_world(3, WorldSettings(components=components))
    table = RiskTable.from_fits(fit_world(world))
    machines = fleet_machines(world, count)
    sorting, fleet = best(lambda: fleet_of(table, machines), 1)
    line(f"sort a fleet of {count} machines x {components} components, once", sorting, "s")
    whole, found = best(lambda: outlook(fleet, YEAR), 3)
    line("outlook: a year by months, with intervals", whole, "s", GOAL_S)
    sample = machines[:100]
    ahead = Horizon(days=YEAR)

    def one_by_one() -> float:
        return sum(
            c.chance_in_horizon.value for m in sample for c in assess(table, m.states, m.cell, ahead, m.km_per_day)
        )

    single, chances = best(one_by_one, 1)
    line("the same asked machine by machine, against the outlook", single * count / len(sample) / whole, "x")
    outlooks = found.part_chance[found.part_machine < len(sample)].sum()
    line("first failures of 100 machines, outlook against one by one", outlooks / chances, "x")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
