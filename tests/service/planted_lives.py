"""How parts of the demo's models really live: the answer sheet's laws, for tests alone.

A part has a life in km and one in days, both Weibull, and fails of whichever ends first; heat, load and salt multiply
the hazard, families differ by a seeded factor. Averaged over the machines of the world that `seed.demo` draws.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from seed.demo import SEED
from seed.world_effects import ComponentUnits, Facts, facts_of, law_of, units_of
from seed.world_lives import Law
from seed.world_machines import make_machines
from seed.world_params import MODELS, REGULATOR_CHANGE


@cache
def _laws(component: str) -> tuple[ComponentUnits, Law, Facts]:
    machines = make_machines(np.random.default_rng([SEED, 1]), 1.0, tuple(model.name for model in MODELS))
    facts = facts_of(machines)
    parts = units_of(component, machines)
    return parts, law_of(parts, facts, np.random.default_rng([SEED, *component.encode()])), facts


def true_hazard(component: str, model: str, km: float, days: float, *, issue: int | None = None) -> float:
    """Mean cumulative hazard of the factory's part up to an age.

    `issue` 0 or 1: of machines built before the regulator's change, or from then on.
    """
    parts, law, facts = _laws(component)
    machine = parts.units.machine
    mine = facts.model[machine] == model
    if issue is not None:
        mine &= (facts.built[machine] >= REGULATOR_CHANGE) == bool(issue)
    used = (km / law.scale_km[mine]) ** law.shape[mine] + (days / law.scale_days[mine]) ** law.shape[mine]
    # single parts differ by a lognormal factor: its mean
    return float(np.mean(law.multiplier[mine] * np.exp(0.5 * law.sigma[mine] ** 2) * used))
