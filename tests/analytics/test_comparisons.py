"""Models against the others at equal distance and age, on invented records whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.comparisons import (
    AS_OTHERS,
    FALSE_LEAD,
    NOT_ENOUGH,
    WEAK,
    compare_models,
    compare_within,
    flag,
    typical_age,
)
from analytics.errors import InvalidObservations, UnknownComponent
from analytics.spells import Cell
from tests.analytics.comparison_cases import ModelCase, records, table_of

AGE = {"km": 25_000.0, "days": 1800.0}
PLAIN = ModelCase()


def model(number):
    return Cell("make", f"family {number}", f"model {number}")


def compared(models, seed, **more):
    return {c.one.cell: c for c in flag(compare_models(table_of(records(models, seed)), "regulator", **AGE, **more))}


def test_three_times_the_hazard_is_flagged_and_equals_are_not():
    """Twelve seeded worlds of eight models, one of them at three times the others' hazard."""
    found, wrong, inside = 0, 0, 0
    for seed in range(12):
        answers = compared([PLAIN._replace(ratio=3.0)] + [PLAIN] * 7, seed)
        weak = answers.pop(model(0))
        found += weak.finding == WEAK
        inside += weak.ratio.low < 3.0 < weak.ratio.high
        wrong += sum(c.finding == WEAK for c in answers.values())
    assert found >= 10 and wrong == 0
    assert inside >= 8  # of twelve intervals of 90 %; shrunk towards the others


def test_where_all_are_equal_none_is_flagged():
    findings = [c.finding for seed in range(8) for c in compared([PLAIN] * 8, seed + 50).values()]
    assert findings.count(WEAK) == 0 and findings.count(AS_OTHERS) > 0.6 * len(findings)


def test_few_machines_with_two_failures_are_no_verdict():
    """Sixty machines, two early failures by chance: close to the class, and said to be too little."""
    models = [PLAIN._replace(machines=60, km_per_day=3.0)] + [PLAIN] * 6
    spells = records(models, 3)
    two = np.flatnonzero(spells.cell == 0)[:2]
    outcome, removal = spells.outcome.copy(), spells.removal.copy()
    outcome[spells.cell == 0], removal[spells.cell == 0] = 0, 0
    outcome[two], removal[two] = 1, 1
    few = replace(spells, outcome=outcome, removal=removal)
    sparse = next(c for c in flag(compare_models(table_of(few), "regulator", **AGE)) if c.one.cell == model(0))
    assert sparse.finding == NOT_ENOUGH and sparse.one.failures == 2
    assert sparse.ratio.low < 1 < sparse.ratio.high


def test_high_distance_is_no_weakness():
    """Three times the use: many failures a machine, none too many for the distance; the talk is a false lead."""
    models = [PLAIN._replace(km_per_day=35.0)] + [PLAIN] * 6
    legend = compared(models, 7, suspected={model(0)})[model(0)]
    assert legend.finding == FALSE_LEAD
    assert legend.naive_ratio > 1.8 and legend.km_ratio > 1.4
    assert legend.ratio.value == pytest.approx(1.0, abs=0.25)


def test_build_strata_are_split_not_averaged():
    models = [PLAIN._replace(ratio=3.5, stratum=0, machines=300), PLAIN._replace(stratum=1, machines=300)]
    spells = records([*models, *[PLAIN._replace(stratum=0)] * 4], 10)
    cell = np.where(spells.cell == 1, 0, spells.cell)  # the first two are one model
    table = table_of(replace(spells, cell=cell))
    early, late = (c for c in flag(compare_models(table, "regulator", **AGE)) if c.one.cell == model(0))
    assert (early.one.stratum, late.one.stratum) == (0, 1)
    assert early.finding == WEAK and late.finding != WEAK
    (split,) = (c for c in compare_within(table, "regulator", **AGE) if c.kind == "stratum")
    assert split.ratio.low > 1.25 and split.one.stratum == 0 and split.other.stratum == 1


def test_pattern_parts_without_records_are_no_verdict():
    quality = compare_within(table_of(records([PLAIN] * 3, 1)), "regulator", **AGE)[-1]
    assert quality.kind == "quality" and quality.finding == NOT_ENOUGH


def test_false_flags_are_counted_over_all_comparisons():
    """A chance of 0.985 is enough beside surer ones, not on its own."""
    one = compare_models(table_of(records([PLAIN] * 3, 2)), "regulator", **AGE)[0]
    sure, nearly = replace(one, chance_weak=0.9999), replace(one, chance_weak=0.985)
    assert [c.finding == WEAK for c in flag([nearly])] == [False]
    assert [c.finding == WEAK for c in flag([nearly, sure, sure])] == [True] * 3
    assert flag([replace(one, chance_weak=0.9), *[sure] * 30])[0].finding != WEAK
    assert flag([]) == []


def test_nothing_to_compare_and_refusals():
    alone = table_of(records([PLAIN], 1))
    assert compare_models(alone, "regulator", **AGE) == []
    km, days = typical_age(alone.fits[0])
    assert 1e4 < km < 5e4 and days > 365
    with pytest.raises(InvalidObservations, match="km"):
        compare_models(alone, "regulator", km=0, days=1)
    with pytest.raises(UnknownComponent):
        compare_models(alone, "stator", **AGE)
