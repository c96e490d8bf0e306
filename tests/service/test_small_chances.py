"""Parts that are all but surely sound: what moved them is told like that of any other, and nothing else is."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.diagnosis import diagnose, with_idle_damage
from analytics.diagnosis_types import PriorChance, Symptom
from service.catalogue_files import read_catalogue
from service.inspections.evidence import Observed, Weighed
from service.inspections.explained import part_replies
from service.inspections.inspected import InspectedPart

FOLDER = Path(__file__).parents[2] / "seed" / "catalogue"
TINY = [0.0, *(3.0 * 10.0**-k for k in range(1, 16)), 1.0 - 1e-12, 1.0]


@pytest.mark.parametrize("chance", TINY)
def test_no_damage_moves_nothing_not_even_by_rounding(chance: float) -> None:
    assert with_idle_damage(chance, 0.0) == chance


def test_a_part_moved_by_a_symptom_alone_is_told_so() -> None:
    parts = tuple(InspectedPart("stator", str(i), p, 0.0, p, 0.9, False, True) for i, p in enumerate(TINY[:-1]))
    dim = Symptom("S05", {"stator": 3.0})
    found = diagnose([PriorChance(p.component, p.position, p.chance_bad) for p in parts], [dim])
    replies = part_replies(Weighed(parts, found, Observed()), read_catalogue(FOLDER))
    assert len(replies) == len(parts)
    for reply in replies:
        assert [move["evidence"] for move in reply["moved_by"]] == ["S05"]
