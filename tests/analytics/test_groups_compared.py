"""Groups of machines against each other: use, shop, region."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.comparisons import AS_OTHERS, BETTER, NOT_ENOUGH, UNCLEAR, WEAK
from analytics.errors import InvalidObservations, UnknownComponent
from analytics.groups_compared import USES, compare_groups, use_group
from tests.analytics.comparison_cases import ModelCase, records, table_of
from tests.analytics.test_drift import dated, with_rate

SIDES = ("coast", "inland")


def compared(seed: int, times: float) -> dict:
    """Six models; on the coast, a third of the machines of each, the part fails so many times as often."""
    spells, born = dated(records([ModelCase(machines=250)] * 6, seed), seed)
    coast = np.random.default_rng([seed, 3]).random(len(spells)) < 1 / 3
    changed = with_rate(spells, born, times, coast)
    return {g.group: g for g in compare_groups(table_of(changed), "regulator", changed, np.where(coast, 0, 1), SIDES)}


def test_a_group_that_fails_twice_as_often_is_weak_and_its_interval_holds_the_truth() -> None:
    inside = 0
    for seed in range(5):
        found = compared(seed, 2.0)
        assert found["coast"].finding == WEAK and found["inland"].finding in (BETTER, UNCLEAR)
        inside += found["coast"].ratio.low < 2.0 < found["coast"].ratio.high
    assert inside >= 3  # of five intervals of 90 %, shrunk towards 1


def test_groups_without_a_difference_are_as_the_others() -> None:
    findings = [g.finding for seed in range(8) for g in compared(seed + 20, 1.0).values()]
    assert WEAK not in findings and findings.count(AS_OTHERS) >= 10  # of 16; the others are not sure


def test_hard_use_is_no_weakness_of_a_part_that_wears_by_distance() -> None:
    spells = records([ModelCase(km_per_day=30.0, machines=200), ModelCase(km_per_day=12.0, machines=400)] * 2, 4)
    group = use_group(spells)
    found = {g.group: g for g in compare_groups(table_of(spells), "regulator", spells, group, USES)}
    hard = found[USES[2]]
    assert hard.finding in (AS_OTHERS, UNCLEAR) and hard.ratio.low < 1 < hard.ratio.high
    assert hard.failures / hard.parts > 2 * found[USES[0]].failures / found[USES[0]].parts


def test_ratio_by_hand() -> None:
    """Posterior mean (seen + 4) / (expected + 4) of the gamma-Poisson, expected at the level of the others."""
    spells = records([ModelCase()] * 3, 2)
    group = (np.arange(len(spells)) % 2).astype(int)
    one, other = compare_groups(table_of(spells), "regulator", spells, group, SIDES)
    assert one.ratio.value == pytest.approx((one.failures + 4) / (one.expected + 4))
    assert one.parts + other.parts == len(spells)


def test_too_few_and_refusals() -> None:
    spells = records([ModelCase(machines=60)], 1)
    table = table_of(spells)
    group = np.where(np.arange(60) < 3, 0, 1)
    few = compare_groups(table, "regulator", spells, group, SIDES)[0]
    assert few.finding == NOT_ENOUGH and few.machines == 3
    assert compare_groups(table, "regulator", spells, np.zeros(60, dtype=int), SIDES) == []
    with pytest.raises(InvalidObservations, match="group"):
        compare_groups(table, "regulator", spells, group + 1, SIDES)
    with pytest.raises(InvalidObservations, match="level"):
        compare_groups(table, "regulator", spells, group, SIDES, level=2.0)
    with pytest.raises(UnknownComponent):
        compare_groups(table, "stator", spells, group, SIDES)
