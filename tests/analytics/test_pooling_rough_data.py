"""Any life records that pass the spells' own check give a fit, and any state a chance: no error, no warning, no nan."""

from __future__ import annotations

import json

import numpy as np
import pytest

from analytics.component_fit import ComponentFit
from analytics.life_model_types import Horizon, LifePrior, PartState, WarningInterval
from analytics.pooling import fit_component
from analytics.risk import RiskTable, assess, life_summary
from analytics.spells import Cell, Outcome, Removal, Spells

CELLS = tuple(Cell(f"make {i % 3}", ("", "f1", "f2")[i % 3], f"model {i}") for i in range(6))
ASKED = (CELLS[1], Cell("make 1", "f1", "new"), Cell("nobody's", "", ""))
WARNINGS = (WarningInterval("window", 500.0), WarningInterval("hidden"), WarningInterval("none"))


def rough_spells(rng: np.random.Generator) -> Spells:
    """Zero-length spells, machines that never move, ages of an hour and of a century, every code at random."""
    n = int(rng.integers(1, 80))

    def sometimes(values: np.ndarray, chance: float, otherwise: float = 0.0) -> np.ndarray:
        return np.where(rng.random(n) < chance, values, otherwise)

    start = sometimes(sometimes(rng.uniform(0, 2000, n), 0.5), 0.7, np.nan)
    entry = np.nan_to_num(start) + sometimes(rng.exponential(1000, n), 0.7)
    exit_ = entry + sometimes(rng.exponential(10 ** rng.uniform(0, 4), n), 0.8)
    lower = entry + (exit_ - entry) * sometimes(rng.random(n), 0.7)
    repair = sometimes(entry, 0.1, np.nan)
    rate = sometimes(rng.lognormal(2, 2, n), 0.9)
    return Spells(
        machine=rng.integers(0, 20, n),
        shop=rng.integers(0, 3, n),
        cell=rng.integers(0, 6, n),
        position=rng.integers(-1, 3, n),
        stratum=rng.integers(-1, 3, n),
        quality=rng.integers(0, 4, n),
        start_km=start * rate,
        start_days=start,
        not_original=np.isnan(start) & (rng.random(n) < 0.3),
        entry_km=entry * rate,
        entry_days=entry,
        exit_km=exit_ * rate,
        exit_days=exit_,
        lower_km=lower * rate,
        lower_days=lower,
        repair_km=repair * rate,
        repair_days=repair,
        outcome=rng.choice([int(o) for o in Outcome], n),
        removal=rng.choice([int(r) for r in Removal], n),
        weight=rng.choice([1.0, 0.5, 1 / 3], n),
        cells=CELLS,
        positions=("front", "rear", "middle"),
        shops=("a", "b", "c"),
    )


def rough_state(rng: np.random.Generator) -> PartState:
    km, days = (10 ** rng.uniform(0, top) * (rng.random() < 0.95) for top in (6, 4.3))
    stem = rng.choice(["part", "watched", "earliest", "nothing"])
    known = {} if stem == "nothing" else {f"{stem}_km": km * rng.random(), f"{stem}_days": days * rng.random()}
    return PartState(
        "part",
        km,
        days,
        position=(None, "front", "elsewhere")[rng.integers(3)],
        stratum=int(rng.integers(-1, 4)),
        renewal_stratum=(None, 2)[rng.integers(2)],
        quality=int(rng.integers(0, 4)),
        not_original=bool(rng.random() < 0.3),
        used=bool(rng.random() < 0.2),
        **known,
    )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_rough_data_are_answered(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape, km, years = rng.uniform(0.5, 5.0), 10 ** rng.uniform(4, 6.3), rng.uniform(1.0, 250.0)
    prior = LifePrior(shape, km if seed % 3 != 1 else None, years if seed % 3 else None)
    fit = fit_component(rough_spells(rng), prior, component="part")
    table = RiskTable.from_fits([ComponentFit.from_document(json.loads(json.dumps(fit.to_document())))])
    rate = 0.0 if seed == 5 else float(10 ** rng.uniform(-1, 2.5))
    states = [rough_state(rng) for _ in range(12)]
    chances = assess(table, states, ASKED[seed % 3], Horizon(5000.0, 365.0), rate, warning={"part": WARNINGS[seed % 3]})
    for chance in chances:
        for p in (chance.chance_in_horizon, chance.chance_bad_now):
            assert 0.0 <= p.low <= p.value <= p.high <= 1.0
    summary = life_summary(table, CELLS[2], component="part")
    assert 0 < summary.scale.low <= summary.scale.value <= summary.scale.high < np.inf
    assert 0.0 <= summary.evidence.prior_weight <= 1.0
