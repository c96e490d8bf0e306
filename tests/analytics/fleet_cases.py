"""Small fleets over fitted lives, for the tests of the outlook. All invented."""

from __future__ import annotations

import numpy as np

from analytics.fleet_types import FleetMachine
from analytics.life_model_types import LifePrior, PartState
from analytics.pooling import fit_component
from analytics.risk_draws import RiskTable
from analytics.spells import Cell
from tests.analytics.pooling_cases import make_spells, weibull_spells

CELL = Cell("make", "family", "model")
PRIOR = LifePrior(2.0, 25_000.0)
NOTHING = make_spells([], [], [], cells=())


def fitted_table(seed: int = 1, shape: float = 2.5, life_years: float = 5.0, n: int = 400, draws: int = 0) -> RiskTable:
    """Two components: a belt with records, a pump without; `draws` is the seed of their fits."""
    belts = weibull_spells(np.random.default_rng(seed), n, shape, life_years)
    return RiskTable.from_fits(
        [fit_component(s, PRIOR, component=name, seed=draws) for name, s in (("belt", belts), ("pump", NOTHING))]
    )


def small_fleet(count: int, seed: int = 2, unknown: float = 0.3, km_per_day: float = 15.0) -> list[FleetMachine]:
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        days = float(rng.uniform(400, 3000))
        states = []
        for name in ("belt", "pump"):
            age = float(rng.uniform(0, days))
            if rng.random() < unknown:
                seen = 0.5 * days
                states.append(PartState(name, days * km_per_day, days, watched_km=seen * km_per_day, watched_days=seen))
            else:
                states.append(PartState(name, days * km_per_day, days, age * km_per_day, age))
        out.append(FleetMachine(CELL, km_per_day, states))
    return out
