"""What is shared is coarse; what is published keeps the rule. Expected values worked by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analytics.shared_spells import together, watched_once
from analytics.sharing_rule import (
    DISTANCE_STEP_KM,
    DOMINATED,
    FEW_CHANGED,
    FEW_MACHINES,
    FEW_SHOPS,
    MONTH_DAYS,
    PUBLISH,
    CellContent,
    GridCell,
    Share,
    below_rule,
    coarsened,
    decide,
    fixed_curve,
    grid_contents,
)
from analytics.spells import Cell, Outcome, Removal, Spells

NAN = float("nan")


def spells(*rows: dict[str, float], shops: tuple[str, ...] = ("P", "Q")) -> Spells:
    plain = {
        "machine": 0, "shop": 0, "cell": 0, "position": -1, "stratum": -1, "quality": 1, "start_km": 0.0,
        "start_days": 0.0, "not_original": False, "entry_km": 0.0, "entry_days": 0.0, "exit_km": 1.0, "exit_days": 1.0,
        "lower_km": NAN, "lower_days": NAN, "repair_km": NAN, "repair_days": NAN, "outcome": Outcome.CENSORED,
        "removal": Removal.STILL_FITTED, "weight": 1.0,
    }  # fmt: skip
    like = Spells.empty()
    columns = {
        name: np.array([{**plain, **row}[name] for row in rows], dtype=getattr(like, name).dtype) for name in plain
    }
    return Spells(**columns, cells=(Cell("Tindrake", "TD-T2", "Lanner 650"),), positions=("front",), shops=shops)


def test_clocks_are_rounded_and_order_is_kept() -> None:
    rng = np.random.default_rng(1)
    cuts = np.sort(rng.uniform(0, 60_000, (400, 4)), axis=1)
    exact = spells(
        *(dict(zip(("start_km", "entry_km", "lower_km", "exit_km"), row, strict=True)) for row in cuts.tolist())
    )
    coarse = coarsened(exact)
    stems = [getattr(coarse, f"{stem}_km") for stem in ("start", "entry", "lower", "exit")]
    assert all((a <= b).all() for a, b in pairwise(stems))
    assert all(
        (np.abs(a - getattr(exact, f"{n}_km")) <= 250).all()
        for a, n in zip(stems[:3], ("start", "entry", "lower"), strict=True)
    )
    assert (coarse.exit_km > coarse.start_km).all()
    assert set(np.unique(np.concatenate(stems[:3]) % DISTANCE_STEP_KM)) == {0.0}


def test_a_part_that_failed_young_keeps_half_a_step() -> None:
    young = spells({"start_km": 20_010, "start_days": 1000, "entry_km": 20_010, "entry_days": 1000, "exit_km": 20_120,
                    "exit_days": 1004, "outcome": Outcome.FAILED})  # fmt: skip
    coarse = coarsened(young)
    assert (coarse.start_km[0], coarse.exit_km[0]) == (20_000, 20_250)
    assert coarse.exit_days[0] - coarse.start_days[0] == pytest.approx(MONTH_DAYS / 2)


def test_distance_and_events_fall_into_disjoint_bands() -> None:
    seen = spells(
        {"machine": 1, "shop": 0, "entry_km": 8_000, "exit_km": 23_000, "outcome": Outcome.FAILED},
        {"machine": 1, "shop": 0, "entry_km": 23_000, "exit_km": 31_000},
        {"machine": 2, "shop": 1, "entry_km": 0, "exit_km": 10_000, "outcome": Outcome.FAILED_BETWEEN},
        {"machine": 3, "shop": 1, "exit_km": 500, "outcome": Outcome.RENEWED_REASON_UNKNOWN, "weight": 0.5},
    )
    found = grid_contents("stator", seen, ("P", "Q"))
    bands = {cell.band: content for cell, content in found.items()}
    assert set(found) == {GridCell("stator", "Tindrake", "Lanner 650", band) for band in range(4)}
    assert bands[0].shares == {"P": Share(0, 1, 2_000), "Q": Share(1, 2, 10_250)}
    assert bands[1].shares == {"P": Share(0, 1, 10_000)}
    assert bands[2].shares == {"P": Share(1, 1, 10_000)}  # the spell before and the one after the failure
    assert bands[3].shares == {"P": Share(0, 1, 1_000)}
    assert sum(content.exposure_km for content in found.values()) == 15_000 + 8_000 + 10_000 + 250


def content(*failures: float, machines: int = 20) -> CellContent:
    return CellContent({f"shop {k}": Share(f, 4, 5000.0 * (k + 1)) for k, f in enumerate(failures)}, machines)


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        (content(2, 2, 2, 2, 2), ""),
        (content(2, 2, 2, 2, 2, machines=9), FEW_MACHINES),
        (content(2, 2, 2, 2), FEW_SHOPS),
        (content(5, 2, 1, 1, 1), ""),  # exactly half
        (content(6, 2, 1, 1, 1), DOMINATED),
        (content(0, 0, 0, 0, 0), ""),
        (CellContent({**content(0, 0, 0, 0).shares, "fleet": Share(0, 40, 1e6)}, 60), DOMINATED),
    ],
)
def test_rule_of_a_cell(cell: CellContent, reason: str) -> None:
    assert below_rule(cell) == reason


def test_published_again_only_with_something_new_of_five_shops() -> None:
    first = content(2, 2, 2, 2, 2, 2)
    assert decide(first, []) == PUBLISH
    four = content(3, 3, 3, 3, 2, 2)
    assert decide(four, [first.shares]) == FEW_CHANGED
    five = content(3, 3, 3, 3, 3, 2)
    assert decide(five, [first.shares]) == PUBLISH
    # What a shop once had and has again is nothing new, whichever figure it stood behind.
    assert decide(content(2, 4, 4, 4, 4, 2), [first.shares, five.shares]) == FEW_CHANGED
    assert decide(content(2, 2, 2, 2, machines=50), [first.shares]) == FEW_SHOPS


def test_curve_stands_on_the_grid_and_stops_at_a_gap() -> None:
    curve = fixed_curve({0: (1, 100_000), 1: (3, 100_000), 3: (9, 100_000)})
    assert curve.distance_km == (0, 10_000, 20_000)
    assert curve.failures_per_part == pytest.approx((0, 0.1, 0.4))


def test_names_of_several_places_are_matched() -> None:
    one, two = spells({}), replace(spells({"position": 0}), cells=(Cell("Hexley", "", "Dray 300"),), shops=("R",))
    both = together([one, two])
    assert [both.cells[c].model for c in both.cell] == ["Lanner 650", "Dray 300"]
    assert both.position.tolist() == [-1, 0] and both.shops[both.shop[1]] == "R"


def test_a_machine_two_shops_know_is_watched_once() -> None:
    seen = spells(
        {"machine": 7, "shop": 0, "entry_km": 5_000, "exit_km": 20_000, "entry_days": 100, "exit_days": 900},
        # the other shop has the same cards, and goes on
        {"machine": 7, "shop": 1, "entry_km": 8_000, "exit_km": 19_000, "entry_days": 200, "exit_days": 800},
        {"machine": 7, "shop": 1, "entry_km": 19_000, "exit_km": 30_000, "entry_days": 800, "exit_days": 1500},
        {"machine": 8, "shop": 1, "entry_km": 8_000, "exit_km": 19_000, "entry_days": 200, "exit_days": 800},
    )
    once = watched_once(seen)
    assert once.machine.tolist() == [7, 7, 8]
    assert once.entry_km.tolist() == [5_000, 20_000, 8_000] and once.entry_days.tolist() == [100, 900, 200]
    once.check()
    alone = seen.subset(np.array([3]))
    assert watched_once(alone).entry_km.tolist() == [8_000]
