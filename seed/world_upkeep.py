"""What riders and shops do about each component: who notices, what is renewed on schedule, what is mended."""

from __future__ import annotations

import numpy as np

from seed.world_effects import ComponentUnits, Facts
from seed.world_lives import Bools, Upkeep, Why
from seed.world_machines import Floats, Ints, MachineTable
from seed.world_params import (
    CLEANED_AGE,
    COG,
    COURIER,
    LANNERS,
    MOTO_HALL,
    POLICY_KM,
    PRIVATE,
    REGULATOR_CHANGE,
    SCHOOL,
)

# Share of failures noticed when they happen; the rest wait for the next service (parts run to failure: all noticed).
NOTICED = {
    "battery": 0.6, "charging_connector": 0.6, "fuel_filter": 0.3, "fuel_line": 0.3, "throttle_body": 0.4,
    "carburettor": 0.7, "plug_cap": 0.6, "spark_plug": 0.2, "water_pump": 0.5, "radiator_hoses": 0.5,
    "valve_train": 0.1, "cam_chain_tensioner": 0.4, "clutch_plates": 0.8, "cvt_belt": 0.8, "chain_sprockets": 0.4,
    "fork_seal": 0.5, "rear_shock": 0.2, "swingarm_bearing": 0.1, "steering_head_bearing": 0.15,
    "wheel_bearing": 0.35, "brake_pad": 0.4, "brake_disc": 0.1, "brake_caliper": 0.4, "master_cylinder_hose": 0.3,
    "brake_fluid": 0.0, "tyre": 0.6, "frame": 0.3, "main_harness": 0.7, "earth_point": 0.6, "lighting": 0.5,
    "cooling_fan": 0.0,
}  # fmt: skip
# Wear parts have a limit that riders see coming, and that a shop anticipates by so many km.
WORN = {"brake_pad": 500.0, "tyre": 400.0, "chain_sprockets": 500.0, "clutch_plates": 0.0, "brake_disc": 1_000.0,
        "spark_plug": 500.0}  # fmt: skip
DUE_KM = {"spark_plug": 16_000.0, "fuel_filter": 36_000.0, "cvt_belt": 18_000.0}
DUE_YEARS = {"brake_fluid": 2.0, "fuel_filter": 10.0}
MENDED = {"throttle_body": 0.5, "carburettor": 0.8, "earth_point": 0.8, "brake_caliper": 0.4, "valve_train": 0.7,
          "charging_connector": 0.3, "main_harness": 0.5, "frame": 0.5}  # fmt: skip
FLEET_BELT_KM = (15_000.0, 500.0)
KEEPS_SCHEDULE = 0.75  # of the owners
_OTHER = ((Why.APART, 0.45), (Why.DAMAGE, 0.25), (Why.WISH, 0.2), (Why.UPGRADE, 0.08), (Why.CAMPAIGN, 0.02))
_DROPPED = ((Why.APART, 0.15), (Why.DAMAGE, 0.75), (Why.WISH, 0.05), (Why.UPGRADE, 0.03), (Why.CAMPAIGN, 0.02))
HIT_BY_DROPS = ("lighting", "radiator_hoses", "frame", "master_cylinder_hose", "instrument_cluster")
UPGRADED = ("regulator_rectifier", "rear_shock", "lighting")
_UPGRADES = ((Why.APART, 0.25), (Why.DAMAGE, 0.2), (Why.WISH, 0.1), (Why.UPGRADE, 0.4), (Why.CAMPAIGN, 0.05))
ELECTRICAL = ("stator", "regulator_rectifier", "fuel_pump", "ignition_coil", "engine_control_unit", "starter_motor",
              "instrument_cluster", "rear_shock")  # fmt: skip


def upkeep_of(parts: ComponentUnits, machines: MachineTable, facts: Facts, rng: np.random.Generator) -> Upkeep:
    """What is done about a component in every position."""
    slug, machine = parts.slug, parts.units.machine
    n = len(machine)
    due_km, due_days, exact, due_from = _schedule(slug, machines, facts, machine, rng)
    shop = machines.shop[machine]
    stuck_repaired = np.full(n, 0.5 if slug == "injector" else 0.85 if slug == "carburettor" else 0.0)
    age_kept = np.ones(n)
    if slug == "injector":  # P25
        stuck_repaired[shop == COG], age_kept[shop == COG] = 1.0, CLEANED_AGE
    lanner = (slug == "regulator_rectifier") & np.isin(facts.model[machine], LANNERS)
    dropped = slug in HIT_BY_DROPS
    other_a_year = 0.006 if dropped or slug in UPGRADED else 0.003
    return Upkeep(
        noticed=NOTICED.get(slug, 1.0),
        noticed_as=Why.WORN if slug in WORN else Why.FAILED,
        margin_km=WORN.get(slug, 0.0),
        due_km=due_km,
        due_days=due_days,
        due_exact=exact,
        due_from=due_from,
        repaired=MENDED.get(slug, 0.0),
        stuck_repaired=stuck_repaired,
        age_kept=age_kept,
        other_per_day=np.where(dropped & (facts.use[machine] == SCHOOL), 5.0, 1.0) * other_a_year / 365.25,
        other_reasons=_DROPPED if dropped else _UPGRADES if slug in UPGRADED else _OTHER,
        pattern_share=np.where(lanner, 0.35, 0.12),
        used_share=0.03 if slug in ELECTRICAL else 0.0,
        laid_up_factor=0.4 if slug == "battery" else 1.0,
    )


def _schedule(
    slug: str, machines: MachineTable, facts: Facts, machine: Ints, rng: np.random.Generator
) -> tuple[Floats, Floats, Bools, Floats]:
    """When parts are due (km, days of age), whether owners come for it, and the day the schedule starts."""
    n = len(machine)
    keeps = rng.random(len(machines)) < KEEPS_SCHEDULE
    keeps |= facts.use != PRIVATE
    due_km = np.where(keeps[machine], DUE_KM.get(slug, np.inf), np.inf)
    due_days = np.where(keeps[machine], DUE_YEARS.get(slug, np.inf) * 365.25, np.inf)
    exact = np.zeros(n, dtype=bool)
    due_from = np.full(n, -1e6)
    if slug == "cvt_belt":  # P16: the fleet renews its belts at about 15,000 km, whatever their state
        fleet = facts.use[machine] == COURIER
        due_km = np.where(fleet, rng.normal(*FLEET_BELT_KM, n), due_km)
        exact |= fleet
    if slug == "regulator_rectifier":  # P24
        policy = (machines.shop[machine] == MOTO_HALL) & np.isin(facts.model[machine], LANNERS)
        policy &= facts.built[machine] < REGULATOR_CHANGE
        due_km = np.where(policy, POLICY_KM, due_km)
        due_from = np.where(policy, machines.first_seen[machine].astype(float), due_from)
    return due_km, due_days, exact, due_from


def lay_ups(machines: MachineTable, rng: np.random.Generator) -> tuple[Ints, Floats, Floats]:
    """Every lay-up of every machine: (machine, day it ends and the machine is tried, months it stood)."""
    years = np.arange(2003, 2026)
    spring = (years - 2000) * 365.25 + 91.0
    winter = np.flatnonzero(machines.usage.winter > 0)
    machine = np.repeat(winter, len(years))
    day = np.tile(spring, len(winter)) + rng.uniform(0, 20, len(machine))
    months = machines.usage.winter[machine] * 12.0
    off = np.flatnonzero(machines.usage.laid_up)
    machine = np.concatenate([machine, off])
    day = np.concatenate([day, machines.usage.laid_up_to[off] + rng.uniform(0, 3, len(off))])
    stood = (machines.usage.laid_up_to[off] - machines.usage.laid_up_from[off]) / 365.25 * 12.0
    months = np.concatenate([months, stood])
    inside = (day > machines.built[machine] + 60) & (day <= machines.end[machine])
    # A winter that falls into a year laid up is no lay-up of its own.
    long = months > 6
    start, end = machines.usage.laid_up_from[machine], machines.usage.laid_up_to[machine]
    inside &= long | (day < start) | (day > end + 20)
    return machine[inside], day[inside], months[inside]


def sticking_chance(slug: str, model: np.ndarray, months: np.ndarray) -> np.ndarray:
    """Chance that a part sticks in one lay-up (P13 for the Hob's carburettor, P20 for injectors).

    A fuel pump seizes so only in a lay-up of more than six months.
    """
    chance = 1.0 - np.exp(-((months / 20.0) ** 1.5))
    if slug == "carburettor":
        hob = np.where(months > 4, 0.35, 0.08)
        return np.where(model == "Hob 410", hob, chance)
    if slug == "fuel_pump":
        return np.where(months > 6, chance, 0.0)
    return chance
