"""Simulated inspections, short form of `python -m tests.bench inspections`: the plan against one who knows the lives.

Goals: at least 90 % of what an all-knowing planner finds in the same 30 minutes, at least 1.5 times what fixed lists
find. Estimates have seen 250 machines of the model; how near the invented priors alone come is in the benchmark.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from service.db import Database
from service.inspections.inspected import places_of
from tests.bench.inspections import LISTS, NOW, YARDS, described, prepared, world_of
from tests.worlds.inspected import (
    Person,
    drawn_state,
    expected_saved,
    outcomes_on,
    ranked,
    saved,
    true_chances,
    true_lives,
    with_records,
    without_marks,
)

WORLDS, RECORDS, DRAWS = range(100, 102), 250, 200  # worlds that the benchmark does not use
YARDS_HERE = ("seller's drive", "workshop")


@pytest.fixture(scope="module")
def catalogue_only(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """The catalogue and the demo's models, no records: estimates are the invented priors."""
    database = prepared(tmp_path_factory.mktemp("worlds"))
    yield database
    database.dispose()


def test_the_plan_finds_what_is_to_be_found(catalogue_only: Database) -> None:
    worlds = [world_of(catalogue_only, world, 1, RECORDS, YARDS_HERE, draws=0) for world in WORLDS]
    for yard in YARDS_HERE:
        total = {who: sum(world[yard][who] for world in worlds) for who in worlds[0][yard]}
        assert total["plan"] >= 0.9 * total["all-knowing"], yard
        assert all(total["plan"] >= 1.5 * total[name] for name in LISTS), yard
        # to know the chances never costs on the same checks
        assert total["plan"] <= total["plan, knowing"] * (1 + 1e-9), yard


def test_what_is_worked_out_is_what_visits_come_to(catalogue_only: Database) -> None:
    """The exact mean over states and outcomes against visits drawn and diagnosed as the service does it."""
    rng = np.random.default_rng([NOW.year, 7])
    ranking, snapshot = described(catalogue_only, rng)
    lives = true_lives(snapshot.catalogue, rng)
    plain = with_records(snapshot, lives, ranking.machine.cell, 0, rng)
    places = without_marks(places_of(ranked(plain, ranking), plain))
    truth = true_chances(ranking, snapshot.catalogue, lives, rng)
    person = Person(places, YARDS["seller's drive"], snapshot.catalogue)
    risks = person.choices.risks
    guessed = {risk.component: risk.chance_bad_now for risk in risks}
    visits = []
    for draw in range(DRAWS):
        bad = drawn_state(truth, 7, draw)
        found = [said for check in person.plan() for said in outcomes_on(bad, 7, draw)(check)]
        visits.append(saved(person, found, guessed, risks, bad))
    exact = expected_saved(person.plan(), guessed, risks, truth)
    assert exact == pytest.approx(float(np.mean(visits)), abs=4 * float(np.std(visits)) / np.sqrt(DRAWS))
