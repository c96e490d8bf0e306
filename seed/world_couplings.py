"""Parts that take other parts with them, misdiagnoses, and the order in which components have to be lived.

A consequence is drawn when the first part fails by its own life; the victim is taken out as a secondary failure,
never as the end of its own life.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from seed.world_chains import run_chains, splice
from seed.world_effects import ComponentUnits, Facts, law_of, units_of
from seed.world_lives import Kills, Law, Lives, Upkeep, Why
from seed.world_machines import MachineTable
from seed.world_params import (
    LANNERS,
    MISDIAGNOSED,
    MODELS,
    SPARSE_MODEL,
    SPARSE_REGULATOR_FAILURES,
    components,
)
from seed.world_upkeep import lay_ups, sticking_chance, upkeep_of


@dataclass(frozen=True)
class Consequence:
    """`first` failing takes `victim` with this chance, within so many km (0: at once).

    Written as the chance in failures that can do it, times the share of failures that can (both invented).
    """

    first: str
    victim: str
    chance: float
    within_km: float = 0.0
    lanner_chance: float | None = None


CONSEQUENCES = (
    Consequence("charging_connector", "regulator_rectifier", 0.15 * 0.5),
    Consequence("regulator_rectifier", "stator", 0.25 * 0.4, 3_000.0, lanner_chance=0.25),  # P04
    Consequence("regulator_rectifier", "battery", 0.50 * 0.3),
    Consequence("stator", "regulator_rectifier", 0.15 * 0.5, lanner_chance=0.15),  # P04
    Consequence("injector", "piston_rings", 0.10 * 0.2),
    Consequence("thermostat", "head_gasket", 0.20 * 0.5),
    Consequence("cooling_fan", "head_gasket", 0.20 * 0.5),
    Consequence("water_pump", "head_gasket", 0.20 * 0.3),
    Consequence("cam_chain_tensioner", "valve_train", 0.60 * 0.08),
    Consequence("cam_chain_tensioner", "piston_rings", 0.60 * 0.08),
    Consequence("fork_seal", "brake_pad", 0.40 * 0.5),
    Consequence("brake_caliper", "brake_pad", 0.60 * 0.6),
    Consequence("brake_caliper", "brake_disc", 0.25 * 0.6),
    Consequence("chain_sprockets", "frame", 0.30 * 0.01),
    Consequence("wheel_bearing", "brake_disc", 0.25 * 0.05),
)
# The regulator is lived first without what the stator does to it, then cut where a stator killed it.
FIRST = ("charging_connector", "regulator_rectifier", "stator", "battery", "earth_point", "main_harness", "injector",
         "thermostat", "cooling_fan", "water_pump", "cam_chain_tensioner", "fork_seal", "brake_caliper",
         "chain_sprockets", "wheel_bearing")  # fmt: skip
CULPRITS = ("charging_connector", "stator", "battery", "earth_point", "main_harness")
STICKING = ("injector", "carburettor", "fuel_pump")


@dataclass(frozen=True)
class Component:
    """Everything about one component: its positions, how they live, what is done, what happened."""

    parts: ComponentUnits
    law: Law
    upkeep: Upkeep
    lives: Lives
    kills: Kills  # what was known to end parts from outside when the chains were run


class WorldBuilder:
    """Lives the components of one world, each with a random stream of its own."""

    def __init__(self, seed: int, scale: float, machines: MachineTable, facts: Facts, chosen: tuple[str, ...]) -> None:
        self.seed, self.scale = seed, scale
        self.machines, self.facts = machines, facts
        self.chosen = tuple(s for s in FIRST if s in chosen) + tuple(s for s in chosen if s not in FIRST)
        self.lay_ups = lay_ups(machines, self._rng("lay-ups"))
        self.done: dict[str, Component] = {}
        self.stuck: dict[str, tuple[int, int]] = {}  # chances met with, parts stuck
        self.kills: dict[str, Kills] = {}

    def _rng(self, name: str) -> np.random.Generator:
        return np.random.default_rng([self.seed, *name.encode()])

    def build(self) -> Mapping[str, Component]:
        """Live every component."""
        for slug in self.chosen:
            self._live(slug)
            if slug == "main_harness" or (slug == self.chosen[-1] and "main_harness" not in self.chosen):
                self._second_pass()
        return {slug: self.done[slug] for slug in components() if slug in self.done}

    def _live(self, slug: str) -> None:
        rng = self._rng(slug)
        parts = units_of(slug, self.machines)
        law = law_of(parts, self.facts, rng)
        upkeep = upkeep_of(parts, self.machines, self.facts, rng)
        kills = self.kills.pop(slug, Kills.none())
        if slug in STICKING:
            kills = kills.plus(self._sticking(parts, rng))
        lives = run_chains(parts.units, law, upkeep, self.machines.usage, self.machines.visits, kills, rng)
        self.done[slug] = Component(parts, law, upkeep, lives, kills)
        for consequence in CONSEQUENCES:
            if consequence.first == slug and consequence.victim in self.chosen:
                self._take(consequence, rng)

    def _sticking(self, parts: ComponentUnits, rng: np.random.Generator) -> Kills:
        """Draw for every part and every lay-up whether the part is stuck when the machine is tried."""
        machine, day, months = self.lay_ups
        order = np.argsort(machine, kind="stable")
        machine, day, months = machine[order], day[order], months[order]
        low = np.searchsorted(machine, parts.units.machine, side="left")
        count = np.searchsorted(machine, parts.units.machine, side="right") - low
        unit = np.repeat(np.arange(len(parts.units)), count)
        lay_up = np.repeat(low - np.concatenate([[0], np.cumsum(count)[:-1]]), count) + np.arange(count.sum())
        chance = sticking_chance(parts.slug, self.facts.model[machine[lay_up]], months[lay_up])
        stuck = rng.random(len(unit)) < chance
        self.stuck[parts.slug] = (len(unit), int(stuck.sum()))
        return Kills.of(unit[stuck], day[lay_up[stuck]], int(Why.STUCK))

    def _take(self, consequence: Consequence, rng: np.random.Generator) -> None:
        one = self.done[consequence.first]
        lives = one.lives.pick(one.lives.own)
        machine = one.parts.units.machine[lives.unit]
        chance = np.full(len(machine), consequence.chance)
        if consequence.lanner_chance is not None:
            chance[np.isin(self.facts.model[machine], LANNERS)] = consequence.lanner_chance
        hit = rng.random(len(machine)) < chance
        lives, machine = lives.pick(hit), machine[hit]
        day = lives.end
        if consequence.within_km:
            usage = self.machines.usage
            ridden_on = usage.km(machine, lives.failed) + rng.uniform(0, consequence.within_km, len(day))
            day = np.maximum(usage.day(machine, ridden_on), lives.failed + 0.5)
        victims = units_of(consequence.victim, self.machines)
        unit = _same_place(victims, machine, one.parts.label(lives.unit))
        found = unit >= 0
        kills = Kills.of(unit[found], day[found], int(Why.SECONDARY))
        self.kills[consequence.victim] = self.kills.get(consequence.victim, Kills.none()).plus(kills)

    def _second_pass(self) -> None:
        """What came too late for the regulator's first pass: stators, misdiagnoses, the sparse model's count."""
        slug = "regulator_rectifier"
        if slug not in self.done:
            return
        rng = self._rng("second pass")
        one = self.done[slug]
        misdiagnosed = self._misdiagnoses(one, rng)
        late = self.kills.pop(slug, Kills.none()).plus(misdiagnosed)
        usage, visits = self.machines.usage, self.machines.visits
        lives = splice(one.lives, one.parts.units, one.law, one.upkeep, usage, visits, late, one.kills, rng)
        self.done[slug] = self._sparse(replace(one, lives=lives), rng)

    def _misdiagnoses(self, regulator: Component, rng: np.random.Generator) -> Kills:
        """Good regulators renewed up to 30 days before the true culprit was found."""
        unit_of = np.full(len(self.machines), -1)
        unit_of[regulator.parts.units.machine] = np.arange(len(regulator.parts.units))
        first = self.machines.first_seen
        seen = regulator.lives.end >= first[regulator.parts.units.machine[regulator.lives.unit]]
        events = int((seen & (regulator.lives.why != Why.STILL_ON)).sum())
        machine, day = [], []
        for slug in CULPRITS:
            if slug in self.done:
                one = self.done[slug]
                lives = one.lives.pick(one.lives.why == Why.FAILED)
                machine.append(one.parts.units.machine[lives.unit])
                day.append(lives.end)
        if not machine:
            return Kills.none()
        at, when = np.concatenate(machine), np.concatenate(day)
        before = when - rng.uniform(1, 30, len(when))
        fits = (before > first[at] + 1) & (unit_of[at] >= 0) & (self.facts.model[at] != SPARSE_MODEL)
        possible = np.flatnonzero(fits)
        wanted = min(round(events * MISDIAGNOSED / (1.0 - MISDIAGNOSED)), len(possible))
        picked = rng.choice(possible, wanted, replace=False) if wanted else np.array([], int)
        return Kills.of(unit_of[at[picked]], before[picked], int(Why.MISDIAGNOSED))

    def _sparse(self, one: Component, rng: np.random.Generator) -> Component:
        """P23: of the baseline's futures for the sparse model, one with its number of regulator failures."""
        machines, units = self.machines, one.parts.units
        sparse = np.array([m.name == SPARSE_MODEL for m in MODELS])[machines.model[units.machine]]
        target = round(SPARSE_REGULATOR_FAILURES * min(self.scale, 1.0))
        mine = np.flatnonzero(sparse)
        if not len(mine):
            return one
        best: Lives | None = None
        for _ in range(400):
            drawn = run_chains(units, one.law, one.upkeep, machines.usage, machines.visits, Kills.none(), rng, mine)
            seen = drawn.own & (drawn.end >= machines.first_seen[units.machine[drawn.unit]])
            if best is None or int(seen.sum()) == target:
                best = drawn
            if int(seen.sum()) == target:
                break
        assert best is not None
        return replace(one, lives=Lives.join([one.lives.pick(~sparse[one.lives.unit]), best]))


def _same_place(victims: ComponentUnits, machine: np.ndarray, label: np.ndarray) -> np.ndarray:
    """The victim's position nearest to the first part's on the same machine, -1 where there is none."""
    place: dict[tuple[int, str], int] = {}
    anywhere: dict[int, int] = {}
    names = victims.label(np.arange(len(victims.units)))
    for unit, (at, name) in enumerate(zip(victims.units.machine.tolist(), names.tolist(), strict=True)):
        place[(at, name)] = unit
        place.setdefault((at, name.partition("_")[0]), unit)
        anywhere.setdefault(at, unit)
    found = []
    for at, name in zip(machine.tolist(), label.tolist(), strict=True):
        front = {"left": "front_left", "right": "front_right"}.get(name, name)  # fork legs to front brakes
        names_to_try = (name, front, name.partition("_")[0])
        options = (*(place.get((at, one)) for one in names_to_try), anywhere.get(at))
        found.append(next((unit for unit in options if unit is not None), -1))
    return np.array(found, dtype=np.int64)
