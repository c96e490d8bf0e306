"""Checks, risks and circumstances that the planning tests share: the shipped catalogue and small random cases."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from analytics.access import opened_by
from analytics.outcomes import Shares
from analytics.planning_types import AccessGroup, CheckOption, CheckTarget, Circumstances, ComponentRisk

CATALOGUE = Path(__file__).parents[2] / "seed" / "catalogue"
VAGUE = Shares(1 / 3, 1 / 3, 1 / 3)


def entries(name: str) -> list[dict]:
    return json.loads((CATALOGUE / f"{name}.json").read_text(encoding="utf-8"))[name]


def stage_of(entry: dict) -> str:
    if entry.get("before_key"):
        return "before_key"
    if entry["cold_start"]:
        return "cold_start"
    running = {"running": "running", "warm": "hot"}
    return running.get(entry["needs_engine"], "engine_off")


def catalogue_options(safety: set[str]) -> list[CheckOption]:
    """35 checks and 12 quick variants as shipped; a target that applies hot only is left to the caller."""
    options = []
    for entry in entries("checks") + entries("quick_variants"):
        targets = [
            CheckTarget(t["component"], None, Shares.of(t["given_bad"]), Shares.of(t["given_good"]))
            for t in entry["targets"]
            if t["when"] != "hot"
        ]
        if not targets:
            continue  # reads a part number: what that tells depends on the machine
        options.append(
            CheckOption(
                id=entry["id"],
                parent=entry.get("parent", entry["id"]),
                minutes=entry["minutes"],
                access_group=entry["access_group"],
                kit=entry["kit"],
                permission=entry["permission"],
                stage=stage_of(entry),
                safety_class_a=any(t.component in safety for t in targets),
                targets=tuple(targets),
                set_level=entry.get("set_level", False),
                needs_cold_engine=entry["needs_engine"] == "cold" and not entry["cold_start"],
                ends_visit=entry["id"].startswith("T34"),
            )
        )
    return options


def catalogue_groups() -> list[AccessGroup]:
    return [AccessGroup(g["code"], g["hours"] * 60, tuple(g["includes"])) for g in entries("access_groups")]


def catalogue_risks(chance: float = 0.05, rate: float = 60.0) -> list[ComponentRisk]:
    """Every component at one chance; loss = job and part, acting = a tenth of it (invented)."""
    return [
        ComponentRisk(
            c["slug"],
            None,
            chance,
            rate * (c["job_hours"] + c["part_labour_hours"]),
            rate * 0.1 * (c["job_hours"] + c["part_labour_hours"]),
            c["safety_class"],
        )
        for c in entries("components")
    ]


def spread_risks(seed: int) -> list[ComponentRisk]:
    """The catalogue's risks, each with chance and money of its own."""
    draw = np.random.default_rng(seed)
    return [
        ComponentRisk(
            r.component,
            None,
            float(draw.random() ** 3 / 2),
            r.loss_if_missed * draw.uniform(0.5, 2),
            r.cost_to_act * draw.uniform(0.5, 2),
            r.safety_class,
        )
        for r in catalogue_risks()
    ]


def safety_components() -> set[str]:
    return {c["slug"] for c in entries("components") if c["safety_class"] == "A"}


def check(
    id_: str, *, component: str = "battery", bad=(0.7, 0.2, 0.1), good=(0.06, 0.14, 0.8), **changes
) -> CheckOption:
    """A plain check with one target; any field may be changed."""
    fields = {
        "id": id_,
        "parent": id_,
        "minutes": 2,
        "access_group": "OPEN",
        "kit": "pocket",
        "permission": "look_only",
        "stage": "engine_off",
        "safety_class_a": False,
        "targets": (CheckTarget(component, None, Shares.of(bad), Shares.of(good)),),
    }
    return CheckOption(**fields | changes)


def yard(minutes: float = 30, **changes) -> Circumstances:
    """A seller's drive: pocket kit, seat off, cold engine."""
    fields = {"minutes": minutes, "kit": "pocket", "permission": "seat_off", "engine_cold": True}
    return Circumstances(**fields | changes)


@st.composite
def shares(draw) -> Shares:
    fail, marginal, passed = (draw(st.integers(0, 10)) + 0.1 for _ in range(3))
    total = fail + marginal + passed
    return Shares(fail / total, marginal / total, 1 - fail / total - marginal / total)


@st.composite
def small_cases(draw):
    """Up to 7 options over 3 parts, 3 covers (one inside another), few minutes, some safety checks."""
    parts = ["battery", "stator", "tyre"]
    twentieths = st.integers(0, 20).map(lambda n: n / 20)
    groups = [
        AccessGroup("OPEN", 0),
        AccessGroup("SEAT", draw(st.integers(1, 5))),
        AccessGroup("TANK", draw(st.integers(1, 8)), draw(st.sampled_from([(), ("SEAT",)]))),
    ]
    risks = [
        ComponentRisk(part, None, draw(twentieths), draw(st.integers(0, 900)), draw(st.integers(0, 300)), "C")
        for part in parts
    ]
    options = []
    for i in range(draw(st.integers(1, 7))):
        good = draw(shares())
        targets = tuple(
            CheckTarget(part, None, draw(shares()), good)
            for part in draw(st.lists(st.sampled_from(parts), min_size=1, max_size=3, unique=True))
        )
        parent = f"T{draw(st.integers(1, 5))}"
        options.append(
            check(
                f"{parent}-{i}",
                parent=parent,
                minutes=draw(st.integers(1, 9)),
                access_group=draw(st.sampled_from(["OPEN", "SEAT", "TANK"])),
                targets=targets,
                set_level=draw(st.booleans()),
                safety_class_a=parent == "T1",
                needs=tuple({f"T{n}" for n in draw(st.sets(st.integers(1, 5), max_size=2)) if f"T{n}" < parent}),
            )
        )
    return options, groups, risks, yard(draw(st.integers(0, 20)))


def cover_minutes(wanted: set[str], groups: list[AccessGroup]) -> float:
    """Least minutes that open every wanted group, by trying every set of covers."""
    by_id = {g.id: g for g in groups}
    costs = [
        sum(by_id[g].minutes for g, taken in zip(by_id, picks, strict=True) if taken)
        for picks in product([False, True], repeat=len(by_id))
        if wanted <= set().union(*(opened_by(g, by_id) for g, taken in zip(by_id, picks, strict=True) if taken))
    ]
    return min(costs)


OPTIONS = catalogue_options(safety_components())
GROUPS = catalogue_groups()
