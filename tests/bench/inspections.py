"""Simulated inspections: how much of what could be found in 30 minutes does following the plan find?

Run: python -m tests.bench.inspections [worlds] [machines a world] [records]   (40, 1 and "0,250")

Worlds, states and money are those of `tests/worlds/inspected.py`; `records` are how many machines of the model the
estimates have seen (0: the invented priors alone, the first day of an installation). The planner sees make, model, year
and odometer only, as over HTTP. Everybody has the same 30 minutes, the same checks with the same errors, and outcomes
drawn alike. Three yards differ in tools and leave. Compared are

* the plan as it is made before the first check, followed to its end;
* the all-knowing planner: it knows the true lives behind this world, so the true chances, and plans and acts by them,
  but like everybody it has to look to know which part is bad. This is the one the goal of 90 % is about;
* the plan with the true chances: the checks of the plan, read and acted on by somebody who knows them. What it lacks of
  the all-knowing planner is choice, what the plan lacks of it is knowledge of this world's lives;
* fixed lists of full-length checks: by title, system by system, and in any order (the mean of many). Whoever follows
  one skips what kit and leave do not allow and what no longer fits, pays for access once as the plan does, has the
  same errors, and acts on findings by the same rule; he is not held to prerequisites, which favours him;
* plan and all-knowing planner once more, both made anew by the service's own steps after every finding that is no pass.

What is not made anew is worked out exactly, over all states and outcomes; visits that are made anew are drawn.
The goal of 1.5 is read against all fixed lists. Intervals are those of a bootstrap over worlds.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analytics.planning_types import CheckOption, Circumstances
from service.catalogue_types import Catalogue
from service.db import Database
from service.inspections.choices import Choices
from service.inspections.inspected import Places, places_of
from service.inspections.ranking import Ranking, rank_described
from service.inspections.serving import Snapshot
from service.schemas.ranking import RankingAsked
from service.setup import load_layouts, upgrade_and_load
from tests.worlds.inspected import (
    TODAY,
    Person,
    drawn_state,
    expected_saved,
    fixed_list,
    outcomes_on,
    ranked,
    saved,
    true_chances,
    true_lives,
    with_records,
    without_marks,
)

NOW = datetime(2026, 6, 1, tzinfo=UTC)
YARDS = {
    "seller's drive": Circumstances(minutes=30, kit="pocket", permission="seat_off", engine_cold=True),
    "home garage": Circumstances(minutes=30, kit="home", permission="may_strip", engine_cold=True),
    "workshop": Circumstances(minutes=30, kit="shop", permission="may_ride", engine_cold=True),
}
DRAWS = 4  # states of one machine and outcomes on it
ORDERS = 10  # fixed lists in any order
LISTS = ("alphabetical", "by system", "any order")
OF_ALL_KNOWING, OF_FIXED_LISTS = 0.9, 1.5  # goals

Money = dict[str, float]


def machine_of(rng: np.random.Generator) -> dict[str, object]:
    """A described Lanner 650 of some age and distance."""
    years = float(rng.uniform(5, 17))
    km = round(years * float(rng.lognormal(np.log(3_200), 0.5)))
    built = f"{2026 - int(years):04d}-06"
    return {"make": "Tindrake", "model": "Lanner 650", "built": built, "odometer": {"value": km, "unit": "km"}}


def prepared(folder: str | Path) -> Database:
    """A database with the catalogue and the demo's models in it, and no records."""
    database = Database(f"sqlite:///{folder}/bench.sqlite", synchronous="OFF")
    upgrade_and_load(database, NOW)
    load_layouts(database)
    return database


def described(database: Database, rng: np.random.Generator) -> tuple[Ranking, Snapshot]:
    """A machine as the service ranks it by the priors."""
    asked = RankingAsked().load({"machine": machine_of(rng), "as_of": TODAY.isoformat()})
    with database.read() as session:
        return rank_described(session, 0, asked, today=TODAY, pool_open=False)


def world_of(
    database: Database, world: int, machines: int, records: int, yards: Sequence[str] = tuple(YARDS), draws: int = DRAWS
) -> dict[str, Money]:
    """Money saved on the machines of one world, by yard and by who looked."""
    rng = np.random.default_rng([20260601, world])
    totals: dict[str, Money] = {name: {} for name in yards}
    lives, known = None, None
    for number in range(machines):
        ranking, snapshot = described(database, rng)
        catalogue = snapshot.catalogue
        lives = lives or true_lives(catalogue, rng)
        seen = np.random.default_rng([20260601, world, records])
        known = known or with_records(snapshot, lives, ranking.machine.cell, records, seen)
        truth = true_chances(ranking, catalogue, lives, np.random.default_rng([20260601, world, 0, number]))
        places = without_marks(places_of(ranked(known, ranking), known))
        for name in yards:
            found = looked_at(places, truth, YARDS[name], world * 1000 + number, draws)
            for who, money in found.items():
                totals[name][who] = totals[name].get(who, 0.0) + money / machines
    return totals


def looked_at(places: Places, truth: dict[str, float], yard: Circumstances, seed: int, draws: int) -> Money:
    """Mean value found on one machine, by who looked."""
    catalogue = places.catalogue
    told = replace(places, parts=tuple(replace(p, value=truth[p.component]) for p in places.parts))
    person, knowing = Person(places, yard, catalogue), Person(told, yard, catalogue)
    choices = person.choices
    guessed = {r.component: r.chance_bad_now for r in choices.risks}

    def expected(chosen: Sequence[CheckOption], believed: dict[str, float]) -> float:
        return expected_saved(chosen, believed, choices.risks, truth)

    money = {
        "plan": expected(person.plan(), guessed),
        "all-knowing": expected(knowing.plan(), truth),
        "plan, knowing": expected(person.plan(), truth),
    }
    for name, lists in lists_of(choices, yard, catalogue, seed).items():
        money[name] = sum(expected(chosen, guessed) for chosen in lists) / len(lists)
    for draw in range(draws):
        bad = drawn_state(truth, seed, draw)
        outcomes = outcomes_on(bad, seed, draw)
        for who, looks in (("plan", person), ("all-knowing", knowing)):
            name = f"{who}, made anew"
            found = saved(looks, looks.follow(outcomes), guessed, choices.risks, bad)
            money[name] = money.get(name, 0.0) + found / draws
    return money


def lists_of(
    choices: Choices, yard: Circumstances, catalogue: Catalogue, seed: int
) -> dict[str, list[list[CheckOption]]]:
    """What gets done in the minutes by whoever follows a fixed list of full-length checks."""
    by_id = {g.id: g for g in choices.groups}
    titles = {c.id: c.title for c in catalogue.checks}
    systems = {o.id: catalogue.component_by_slug[o.targets[0].component].system for o in choices.options}
    full = sorted((o for o in choices.options if o.id in titles), key=lambda o: titles[o.id])
    shuffled = [list(np.random.default_rng([seed, k]).permutation(len(full))) for k in range(ORDERS)]
    return {
        "alphabetical": [fixed_list(full, by_id, yard)],
        "by system": [fixed_list(sorted(full, key=lambda o: (systems[o.id], o.id)), by_id, yard)],
        "any order": [fixed_list([full[i] for i in order], by_id, yard) for order in shuffled],
    }


def ratio(found: Sequence[Money], plan: str, other: str) -> tuple[float, float, float]:
    """One against another over all worlds together, with a 90 % interval (bootstrap over worlds)."""
    above, below = (np.array([world[name] for world in found]) for name in (plan, other))
    picked = np.random.default_rng(1).integers(len(found), size=(2_000, len(found)))
    low, high = np.quantile(above[picked].sum(axis=1) / below[picked].sum(axis=1), [0.05, 0.95])
    return float(above.sum() / below.sum()), float(low), float(high)


def report(yard: str, found: Sequence[Money]) -> bool:
    """Print one yard; whether its goals are met."""
    print(yard)
    for who in found[0]:
        plan = "plan, made anew" if who.endswith("made anew") else "plan"
        value, low, high = ratio(found, plan, who)
        each = sum(money[who] for money in found) / len(found)
        print(f"  {who:23s} EUR {each:7.1f} a machine; {plan} {value:5.2f} times ({low:.2f} to {high:.2f})")
    knowing = min(ratio(found, f"plan{how}", f"all-knowing{how}")[0] for how in ("", ", made anew"))
    return knowing >= OF_ALL_KNOWING and all(ratio(found, "plan", name)[0] >= OF_FIXED_LISTS for name in LISTS)


def main() -> int:
    """Print the figures; 1 where a goal is missed."""
    given = sys.argv[1:] if sys.argv[0].endswith("inspections.py") else []
    worlds, machines = (int(a) for a in given[:2]) if len(given) >= 2 else (40, 1)
    met = True
    with tempfile.TemporaryDirectory() as folder:
        database = prepared(folder)
        for records in (given[2] if len(given) > 2 else "0,250").split(","):
            found = [world_of(database, world, machines, int(records)) for world in range(worlds)]
            print(f"== {records} machines on record; 30 minutes at {machines} machines of each of {worlds} worlds")
            met = min([met, *(report(yard, [world[yard] for world in found]) for yard in YARDS)])
            sys.stdout.flush()
        database.dispose()
    print("goals met" if met else "a goal is missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
