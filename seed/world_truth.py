"""The answer sheet: what really happened to each part of a planted truth. For tests only; never imported by users.

A life is a row: machine (reference and shop), when the part's age began and when it ended on the machine's clocks,
from where on the machine was watched, whether its own life ended, and the hazard multiplier that acted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from seed.world_couplings import Component, WorldBuilder
from seed.world_effects import Facts
from seed.world_identity import Identity
from seed.world_lives import ORIGINAL, PATTERN, Why
from seed.world_machines import MachineTable
from seed.world_params import PATTERN_REGULATOR, PLANTED, SHOPS, SUPERSEDED, USES, date_of

LIFE_COLUMNS = ("machine", "shop", "position", "age_entry_km", "age_exit_km", "age_entry_days", "age_exit_days",
                "failed", "why", "hazard", "kind")  # fmt: skip


def lives_table(one: Component, machines: MachineTable, mask: np.ndarray) -> dict[str, np.ndarray]:
    """Lives of some stays on the part's own age, from the machine's first sight (or the part's fitting) on.

    Stays that ended before the machine was seen are left out. Exit is the moment of failure where the part's own
    life ended, else the moment it was taken out or last seen.
    """
    lives = one.lives.pick(mask)
    machine = one.parts.units.machine[lives.unit]
    usage = machines.usage
    exit_day = np.where(np.isfinite(lives.failed), lives.failed, lives.end)
    entry_day = np.maximum(lives.begin, machines.first_seen[machine].astype(float))
    watched = exit_day > entry_day
    lives, machine, exit_day, entry_day = lives.pick(watched), machine[watched], exit_day[watched], entry_day[watched]
    fitted_km = lives.fitted_km
    return {
        "machine": machine,
        "position": one.parts.label(lives.unit),
        "age_entry_km": usage.km(machine, entry_day) - fitted_km,
        "age_exit_km": usage.km(machine, exit_day) - fitted_km,
        "age_entry_days": entry_day - lives.fitted,
        "age_exit_days": exit_day - lives.fitted,
        "failed": np.isfinite(lives.failed),
        "why": lives.why,
        "hazard": one.law.multiplier[lives.unit],
        "kind": lives.old_kind,
    }


def answer_sheet(
    builder: WorldBuilder, done: Mapping[str, Component], identities: Sequence[Identity], defects: Mapping[str, Any]
) -> dict[str, Any]:
    """Everything the tests may know, ready for JSON."""
    machines, facts = builder.machines, builder.facts
    effects: dict[str, Any] = {}
    for planted in (*PLANTED, PATTERN_REGULATOR):
        one = done.get(planted.component)
        if one is None:
            continue
        table = lives_table(one, machines, _scope(planted.id, one))
        entry = effects.setdefault(planted.id, {"truths": [], "lives": {}})
        entry["truths"].append({key: value for key, value in asdict(planted).items() if key != "id"})
        entry["lives"][planted.component] = _listed(table, machines, identities)
    return {
        "about": "What really happened in this invented world; for tests only.",
        "life_columns": list(LIFE_COLUMNS),
        "effects": effects,
        "sticking": {slug: {"chances": n, "stuck": k} for slug, (n, k) in builder.stuck.items()},
        "outcomes": _outcomes(done, machines),
        "machines": _machine_rows(machines, facts, identities),
        "defects": dict(defects),
    }


def _scope(effect: str, one: Component) -> np.ndarray:
    special = np.zeros(len(one.lives.unit), dtype=bool)
    if one.law.pattern_on is not None:
        special = (one.lives.old_kind == PATTERN) & one.law.pattern_on[one.lives.unit]
    if effect == PATTERN_REGULATOR.id:
        return special
    built_as = one.law.effect[one.lives.unit]
    later = one.law.superseded(one.lives.unit, one.lives.fitted)
    early, after, _ = SUPERSEDED.get(one.parts.slug, ("", "", None))
    issue = np.where(later & (built_as == early), after, built_as)
    return (issue == effect) & ~special & (one.lives.old_kind <= max(ORIGINAL, PATTERN))


def _listed(table: Mapping[str, np.ndarray], machines: MachineTable, identities: Sequence[Identity]) -> list[list[Any]]:
    rows = []
    for k in range(len(table["machine"])):
        machine = int(table["machine"][k])
        rows.append([
            identities[machine].reference, SHOPS[machines.shop[machine]].slug, str(table["position"][k]),
            *(round(float(table[name][k]), 1) for name in LIFE_COLUMNS[3:7]),
            bool(table["failed"][k]), Why(int(table["why"][k])).name.lower(), round(float(table["hazard"][k]), 4),
            int(table["kind"][k]),
        ])  # fmt: skip
    return rows


def _outcomes(done: Mapping[str, Component], machines: MachineTable) -> dict[str, dict[str, int]]:
    """How many stays ended how under observation, by component."""
    found = {}
    for slug, one in done.items():
        machine = one.parts.units.machine[one.lives.unit]
        seen = (one.lives.end >= machines.first_seen[machine]) & (one.lives.why != Why.STILL_ON)
        counts = np.bincount(one.lives.why[seen], minlength=len(Why))
        found[slug] = {why.name.lower(): int(counts[why]) for why in Why if why != Why.STILL_ON}
    return found


def _machine_rows(machines: MachineTable, facts: Facts, identities: Sequence[Identity]) -> list[dict[str, Any]]:
    every = np.arange(len(machines))
    first_km = machines.usage.km(every, machines.first_seen.astype(float))
    last_km = machines.usage.km(every, machines.end.astype(float))
    return [
        {
            "machine": identities[k].reference,
            "shop": SHOPS[machines.shop[k]].slug,
            "model": str(facts.model[k]),
            "use": USES[machines.use[k]],
            "built": date_of(machines.built[k]).isoformat(),
            "first_seen": date_of(machines.first_seen[k]).isoformat(),
            "last_seen": date_of(machines.end[k]).isoformat(),
            "first_km": round(float(first_km[k])),
            "last_km": round(float(last_km[k])),
            "laid_up_a_year": bool(machines.usage.laid_up[k]),
            "winter_months": round(float(machines.usage.winter[k]) * 12, 1),
        }
        for k in range(len(machines))
    ]
