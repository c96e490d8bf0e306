"""Defects of the demo world beyond single cells: doubled and shared cards, misdiagnoses, swaps, odd numbers."""

from __future__ import annotations

from collections import Counter, defaultdict

import pytest

from seed.world import World, build_world, small_world
from seed.world_identity import HYPHENATED, PARTIAL, check_digit, mistyped
from seed.world_lives import Why
from seed.world_notes import FOREIGN
from seed.world_params import components
from tests.seed.world_cases import lines


def test_moto_hall_keys_one_line_in_twenty_five_twice(world: World) -> None:
    lines_ = [row for row in world.rows["midplain-moto-hall"] if row[15] == "card"]
    doubled = world.truth["defects"]["doubled_lines"]
    assert doubled / (len(lines_) - doubled) == pytest.approx(0.04, abs=0.004)
    same = sum(n - 1 for n in Counter(lines_).values())
    later = sum(row[0].startswith("MH-R") for row in lines_)
    assert same + later == pytest.approx(doubled, rel=0.03)


def test_forty_cards_stand_in_two_files_word_for_word(world: World) -> None:
    shared = set(world.truth["defects"]["shared_cards"])
    assert len(shared) == 40
    files = [{row for row in world.rows[s] if row[0] in shared} for s in ("cog-and-gasket", "sallow-lane-arches")]
    assert files[0] == files[1]


def test_misdiagnosed_regulators_are_six_in_a_hundred_and_the_culprit_follows(world: World) -> None:
    one = world.components["regulator_rectifier"]
    machine = one.parts.units.machine[one.lives.unit]
    seen = (one.lives.end >= world.machines.first_seen[machine]) & (one.lives.why != Why.STILL_ON)
    wrong = seen & (one.lives.why == Why.MISDIAGNOSED)
    assert wrong.sum() / seen.sum() == pytest.approx(0.06, abs=0.012)
    culprits = defaultdict(list)
    for slug in ("charging_connector", "stator", "battery", "earth_point", "main_harness"):
        other = world.components[slug]
        for at, day, why in zip(other.parts.units.machine[other.lives.unit].tolist(), other.lives.end.tolist(),
                                other.lives.why.tolist(), strict=True):  # fmt: skip
            if why == Why.FAILED:
                culprits[at].append(day)
    for at, day in zip(machine[wrong].tolist(), one.lives.end[wrong].tolist(), strict=True):
        assert any(0 < culprit - day <= 30 for culprit in culprits[at])


def test_clock_swaps_of_2015(world: World) -> None:
    swaps, noted = world.truth["defects"]["clock_swaps"], world.truth["defects"]["clock_swaps_noted"]
    of_2015 = sum(r["model"] == "Shrike 900" and r["built"].startswith("2015") for r in world.truth["machines"])
    assert swaps / of_2015 == pytest.approx(0.18, abs=0.02)
    changed = [line for line in lines(world) if line.action == "clock_changed"]
    assert len(changed) == noted and abs(noted - swaps / 2) <= 0.5
    for line in changed:
        mine = [row for row in lines(world) if row.card == line.card]
        assert mine[0].action == "seen" and float(mine[0].odometer) > 0
        assert mine[-1] == line and line.odometer == "0" and line.unit == mine[0].unit


def test_odd_numbers_reused_plates_swapped_engine_and_foreign_words(world: World) -> None:
    cog = {line.machine for line in lines(world, "cog-and-gasket")}
    assert {HYPHENATED, PARTIAL} <= cog
    assert sum("O" in ref for ref in cog if len(ref) == 17) == 1
    models = defaultdict(set)
    for line in lines(world, "sallow-lane-arches"):
        if line.model:
            models[line.machine].add(line.model)
    assert sorted(m for m, named in models.items() if len(named) > 1) == sorted(
        world.truth["defects"]["reused_plates"])  # fmt: skip
    notes = [line.notes for line in lines(world)]
    assert sum("written-off Parson" in note for note in notes) >= 1
    assert len({word for word in FOREIGN if any(word in note for note in notes)}) >= 12
    assert any("stator eater" in note for note in notes)
    money = Counter((line.currency, slug) for slug in world.rows for line in lines(world, slug) if line.currency)
    assert {slug for currency, slug in money if currency == "CHF"} == {"quayside-rental"}


def test_check_digits() -> None:
    # Seventeen ones have the check digit 1: the weights add up to 89 = 8 * 11 + 1 (49 CFR 565.15, by hand).
    assert check_digit("1" * 17) == "1"
    assert mistyped("GTDLN65A2CA000127") == "GTDLN65A2CA00O127"


def test_a_world_without_defects_is_clean() -> None:
    clean = small_world(2, 0.05, defects=False)
    assert all(line.reason for line in lines(clean) if line.action == "renewed")
    assert all(line.odometer for line in lines(clean) if line.source == "card")
    assert all(line.component in components() for line in lines(clean) if line.component)
    assert set(clean.truth["defects"]["odometers"]["midplain-moto-hall"]) == {"right"}
    for slug, happened in clean.truth["outcomes"].items():
        written = Counter(row.reason for row in lines(clean) if row.component == slug and row.source == "card")
        assert written["failed"] == happened["failed"] + happened["stuck"], slug
        assert written["found_failed"] == happened["found"] and written["scheduled"] == happened["scheduled"], slug


@pytest.mark.parametrize("scale", [0.005, 0.02])
def test_tiny_worlds_can_be_built(scale: float) -> None:
    assert sum(len(rows) for rows in build_world(4, scale).rows.values()) > 100
