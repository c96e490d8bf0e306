"""How a component lives on each machine: catalogue prior, planted truths, and what bends the life."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from seed.world_lives import Bools, Later, Law, Units
from seed.world_machines import Floats, Ints, MachineTable
from seed.world_params import (
    CHARGING,
    COAST,
    COURIER,
    FAMILY_SIGMA,
    LANNERS,
    MIDPLAIN,
    MODELS,
    PATTERN_REGULATOR,
    PLANTED,
    REGULATOR_CHANGE,
    RENTAL,
    SCHOOL,
    SHOPS,
    SPARSE_MODEL,
    SUPERSEDED,
    UNIT_SIGMA,
    YEAR,
    Planted,
    components,
    date_of,
    layouts,
)

# The catalogue gives the tyre as the mean of a front and a rear life.
TYRE_KM = {"front": 14_000.0, "rear": 10_000.0}


@dataclass(frozen=True)
class Facts:
    """What about a machine bends its parts' lives, one value a machine."""

    model: NDArray[np.str_]
    region: NDArray[np.str_]
    use: Ints
    built: Floats
    idle: Floats


@dataclass(frozen=True)
class Bend:
    """Where `applies`, the components' hazard is multiplied, or their life shortened."""

    components: tuple[str, ...]
    applies: Callable[[Facts], Bools]
    hazard: float = 1.0
    life: float = 1.0


BEARINGS = ("wheel_bearing", "steering_head_bearing", "swingarm_bearing")
BENDS = (
    Bend(("clutch_plates",), lambda f: f.use == SCHOOL, life=0.3),
    Bend(("brake_pad",), lambda f: np.isin(f.use, (SCHOOL, COURIER)), life=0.6),
    Bend(("clutch_plates",), lambda f: f.use == COURIER, life=0.6),
    Bend(("starter_motor",), lambda f: f.use == COURIER, life=0.5),
    Bend(("steering_head_bearing",), lambda f: (f.use == SCHOOL) & (f.model == "Pipit 125"), 2.0),  # P15
    # P03: heated grips and lights of the touring trim
    Bend(("stator", "regulator_rectifier", "charging_connector"), lambda f: f.model == "Lanner 650 T", 1.5),
    Bend((*BEARINGS, "brake_caliper", "charging_connector", "earth_point"), lambda f: f.region == COAST, 1.6),  # P21
    Bend(("chain_sprockets",), lambda f: f.region == COAST, 1.3),
    Bend(("regulator_rectifier", "stator", "ignition_coil", "battery"), lambda f: f.region == MIDPLAIN, 1.3),  # P22
    Bend(BEARINGS, lambda f: f.use == RENTAL, 1.4),  # jet-washed between hires
    Bend(("charging_connector",), lambda f: f.use == RENTAL, 1.5),
)
# Seals and hydraulics age half as fast again while they stand.
IDLE_AGED = ("fork_seal", "rear_shock", "water_pump", "brake_caliper", "master_cylinder_hose")


@dataclass(frozen=True)
class ComponentUnits:
    """The positions of a component on every machine that has it."""

    slug: str
    units: Units
    labels: tuple[str, ...]

    def label(self, unit: Ints) -> NDArray[np.str_]:
        """Names of the positions of some units."""
        return np.array(self.labels)[self.units.position[unit]]


def facts_of(machines: MachineTable) -> Facts:
    """Collect what bends lives."""
    return Facts(
        np.array([model.name for model in MODELS])[machines.model],
        np.array([shop.region for shop in SHOPS])[machines.shop],
        machines.use,
        machines.built,
        machines.idle_share,
    )


def positions_of(slug: str, layout: dict[str, Any]) -> tuple[str, ...]:
    """Position labels of a component on a model; one empty label where the part has no positions."""
    for row in layout["positions"]:
        if row["component"] == slug:
            return tuple(row["positions"])
    entry = components()[slug]
    rule = entry["position_rule"]
    if rule == "fixed":
        return tuple(entry["positions"])
    if rule in ("per_cylinder", "per_plug", "per_valve"):  # one plug and one set of clearances a cylinder
        return tuple(layout["cylinders"])
    if rule == "per_bank" or slug == "head_gasket":
        return tuple(layout["banks"]) or ("",)
    return ("",)


def units_of(slug: str, machines: MachineTable) -> ComponentUnits:
    """Every position of a component, machine by machine."""
    year = np.array([date_of(day).year for day in machines.built])
    labels: list[str] = []
    machine, position = [], []
    for index, model in enumerate(MODELS):
        layout = layouts()[model.name]
        has = machines.model == index
        for row in layout["absent"]:
            if row["component"] == slug:
                has &= ~((year >= (row["from_year"] or 0)) & (year <= (row["to_year"] or 9999)))
        for label in positions_of(slug, layout):
            if label not in labels:
                labels.append(label)
            found = np.flatnonzero(has)
            machine.append(found)
            position.append(np.full(len(found), labels.index(label)))
    at, where = np.concatenate(machine), np.concatenate(position)
    order = np.lexsort((where, at))
    at, where = at[order], where[order]
    units = Units(at, where, machines.built[at], machines.end[at].astype(float))
    return ComponentUnits(slug, units, tuple(labels))


def law_of(parts: ComponentUnits, facts: Facts, rng: np.random.Generator) -> Law:
    """The life of a component in every position."""
    slug, machine = parts.slug, parts.units.machine
    life = components()[slug]["life"]
    n = len(machine)
    shape = np.full(n, float(life["shape"]))
    scale_km = np.full(n, float(life["scale_km"] or np.inf))
    scale_years = np.full(n, float(life["scale_years"] or np.inf))
    label = parts.label(np.arange(n))
    if slug == "tyre":
        scale_km = np.array([TYRE_KM[name] for name in label], dtype=float)
    if slug in IDLE_AGED:
        scale_years = scale_years / (1.0 + 0.5 * facts.idle[machine])
    hazard, factor = _bent(slug, facts)
    sigma = np.full(n, UNIT_SIGMA)
    effect = np.full(n, "", dtype="<U4")
    frailty = _family_frailty(slug, facts, rng)[machine]
    life_factor = factor[machine].copy()
    for planted in PLANTED:
        if planted.component == slug:
            at = _in_scope(planted, facts, machine, label)
            effect[at], sigma[at], frailty[at] = planted.id, 0.0, 1.0
            if planted.shape is not None:
                shape[at], life_factor[at] = planted.shape, 1.0
                scale_km[at] = planted.scale_km or np.inf
                scale_years[at] = planted.scale_years or np.inf
    pattern, pattern_on = None, None
    if slug == PATTERN_REGULATOR.component:
        pattern = (float(PATTERN_REGULATOR.shape or 1), float(PATTERN_REGULATOR.scale_km or np.inf))
        pattern_on = np.isin(facts.model[machine], LANNERS)
    return Law(
        shape, scale_km * life_factor, scale_years * YEAR * life_factor, hazard[machine] * frailty, sigma, effect,
        pattern, pattern_on, _later(slug, effect),
    )  # fmt: skip


def _later(slug: str, effect: NDArray[np.str_]) -> Later | None:
    if slug not in SUPERSEDED:
        return None
    early, _, (shape, scale_km, scale_years) = SUPERSEDED[slug]
    scale_days = np.inf if scale_years is None else scale_years * YEAR
    return Later(float(REGULATOR_CHANGE), shape, float(scale_km), scale_days, effect == early)


def _bent(slug: str, facts: Facts) -> tuple[Floats, Floats]:
    hazard, life = np.ones(len(facts.model)), np.ones(len(facts.model))
    for bend in BENDS:
        if slug in bend.components:
            applies = bend.applies(facts)
            hazard = np.where(applies, hazard * bend.hazard, hazard)
            life = np.where(applies, life * bend.life, life)
    return hazard, life


def _family_frailty(slug: str, facts: Facts, rng: np.random.Generator) -> Floats:
    """One draw a family, the same whichever models are built; the sparse model and P18's parts have none."""
    families = sorted({row["family"] for row in layouts().values()})
    drawn = dict(zip(families, np.exp(FAMILY_SIGMA * rng.standard_normal(len(families))), strict=True))
    by_model = {name: float(drawn[row["family"]]) for name, row in layouts().items()}
    by_model[SPARSE_MODEL] = 1.0
    if slug in CHARGING:
        by_model["Shrike 900"] = 1.0
    return np.array([by_model[name] for name in facts.model])


def _in_scope(planted: Planted, facts: Facts, machine: Ints, label: NDArray[np.str_]) -> Bools:
    built = facts.built[machine]
    at = np.isin(facts.model[machine], planted.models)
    at &= (built >= planted.built_from) & (built < planted.built_before)
    if planted.positions:
        at &= np.isin(label, planted.positions)
    if planted.use is not None:
        at &= facts.use[machine] == planted.use
    return at
