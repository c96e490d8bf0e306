"""What reading a part number is worth, by hand: renew the part now, or leave it, for as long as the machine is kept."""

from __future__ import annotations

import pytest

from analytics.check_worth import part_worths, risks_by_part, worth_of
from analytics.life_model_types import Probability
from analytics.planning_types import CheckOption, ComponentRisk
from service.inspections.part_marks import CURRENT, SUPERSEDED, WHILE_KEPT, Marked, kept_risk, kept_target

REPAIR, STRANDED = 100.0, 400.0
NOW = Probability(0.01, 0.005, 0.02, 0.9)


def marks(weak: float, sound: float, new: float, original: float = 0.4) -> dict[str, Marked]:
    return {
        SUPERSEDED: Marked(original, NOW, NOW, weak, new),
        CURRENT: Marked(1 - original, NOW, NOW, sound, new),
    }


def worth(found: dict[str, Marked]) -> float:
    now = ComponentRisk("regulator_rectifier", None, 0.01, REPAIR + STRANDED, REPAIR, "B")
    ahead = kept_risk(now, found)
    assert ahead.position == WHILE_KEPT and ahead.safety_class == "C"
    target = kept_target("regulator_rectifier", found)
    read = CheckOption("T36", "T36", 1.0, "OPEN", "pocket", "look_only", "engine_off", False, (target,))
    return worth_of(["T36"], part_worths([read], risks_by_part([now, ahead])))


def test_worth_by_hand() -> None:
    """Renewing costs 100 + 0.05 x 500 = 125. Not knowing, 0.26 x 500 = 130 is more: renew. Knowing, a sound part of
    0.1 x 500 = 50 is left on, which saves 75 in 6 cases of 10."""
    assert worth(marks(0.5, 0.1, 0.05)) == pytest.approx(0.6 * 75, abs=0.01)


def test_worth_where_the_part_would_be_left_on_not_knowing() -> None:
    """Not knowing, 0.19 x 500 = 95 is less than 125: leave it. Knowing, a weak one of 0.4 x 500 = 200 is renewed."""
    assert worth(marks(0.4, 0.05, 0.05)) == pytest.approx(0.4 * 75, abs=0.01)


def test_no_worth_where_no_number_changes_what_is_done() -> None:
    assert worth(marks(0.2, 0.1, 0.05)) == pytest.approx(0, abs=1e-9)
    # A new one that fails as often as the old: nothing to be had from renewing.
    assert worth(marks(0.5, 0.1, 0.5)) == pytest.approx(0, abs=1e-9)


def test_an_inspection_kept_before_there_were_years_ahead_reads_as_one_season() -> None:
    kept = marks(0.4, 0.05, 0.05)[SUPERSEDED].to_dict()
    assert Marked.from_dict(kept) == marks(0.4, 0.05, 0.05)[SUPERSEDED]
    old = {name: value for name, value in kept.items() if "kept" not in name}
    assert Marked.from_dict(old).while_kept == NOW.value and Marked.from_dict(old).new_while_kept == 0
