"""The defects of the demo world stand in the files at about their stated rates.

Rates are those of the demo scenario; tolerances are four binomial standard errors, or wider where the file shows
a defect only through rounding or lines that share a card.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from seed.world import World
from seed.world_params import components, words
from tests.seed.world_cases import lines


def test_reason_missing_in_three_of_ten_and_more_than_half_in_sallow(world: World) -> None:
    for slug in world.rows:
        reasons = [line.reason for line in lines(world, slug) if line.action == "renewed"]
        wanted = 0.55 if slug == "sallow-lane-arches" else 0.30
        assert reasons.count("") / len(reasons) == pytest.approx(wanted, abs=4 * np.sqrt(0.25 / len(reasons))), slug


def test_odometers_wrong_by_unit_digit_or_filler(world: World) -> None:
    counts = Counter[str]()
    for of_shop in world.truth["defects"]["odometers"].values():
        counts.update(of_shop)
    read = sum(counts[kind] for kind in ("right", "unit", "digit", "filler"))
    for kind, share in (("unit", 0.03), ("digit", 0.01), ("filler", 0.005)):
        assert counts[kind] / read == pytest.approx(share, abs=4 * np.sqrt(share / read)), kind


def test_sallow_lacks_a_quarter_of_its_odometers_and_more_on_recoveries(world: World) -> None:
    cards: dict[str, tuple[bool, bool]] = {}
    for line in lines(world, "sallow-lane-arches"):
        if line.source == "card" and line.card.startswith("SL-"):
            recovered = any(w in line.notes for w in ("recovered", "roadside, van", "pushed in", "collected"))
            seen_before = cards.get(line.card, (False, False))
            cards[line.card] = (not line.odometer, recovered or seen_before[1])
    missing = np.array([c[0] for c in cards.values()])
    recovery = np.array([c[1] for c in cards.values()])
    assert missing.mean() == pytest.approx(0.25, abs=0.02)
    assert missing[recovery].mean() == pytest.approx(0.45, abs=0.03)


def test_brackenhythe_leaves_out_units_and_says_so_in_the_notes(world: World) -> None:
    cards = {line.card for line in lines(world, "brackenhythe") if line.source == "card"}
    without = {line.card for line in lines(world, "brackenhythe") if "unit not written" in line.notes}
    assert len(without) / len(cards) == pytest.approx(0.08, abs=0.01)
    assert not any(line.odometer for line in lines(world, "brackenhythe") if line.card in without)
    units = Counter(line.unit for line in lines(world, "brackenhythe"))
    assert units["mi"] > 2 * units["km"]


def test_slang_is_mostly_certain_and_kept_to_two_shops(world: World) -> None:
    certain = {text for rows in words().values() for text, sure, _ in rows if sure}
    unsure = {text for rows in words().values() for text, sure, _ in rows if not sure}
    for slug in world.rows:
        named = [line.component for line in lines(world, slug) if line.component]
        slang = [word for word in named if word not in components()]
        if slug in ("sallow-lane-arches", "brackenhythe"):
            assert 0.15 < len(slang) / len(named) < 0.45, slug
            assert set(slang) <= certain | unsure
            assert 0.02 < sum(word in unsure - certain for word in slang) / len(slang) < 0.15, slug
        else:
            assert not slang, slug


def test_positions_missing_in_four_of_a_hundred(world: World) -> None:
    placed = [line.position for line in lines(world) if line.action == "renewed" and line.component == "tyre"]
    assert placed.count("") / len(placed) == pytest.approx(0.04, abs=4 * np.sqrt(0.04 / len(placed)))
