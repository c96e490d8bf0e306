"""Many sets that share no part: each is worked by itself, so their number does not multiply."""

from __future__ import annotations

import pytest

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import CheckTarget, Finding, PriorChance, Verdict
from analytics.outcomes import Shares

BAD, GOOD = Shares(0.8, 0.1, 0.1), Shares(0.05, 0.1, 0.85)
PAIRS = 40  # multiplied out, 2^40 terms


def pair(number: int) -> tuple[list[PriorChance], Finding]:
    """Two positions of a component that one check looked at together."""
    component = f"component_{number}"
    priors = [PriorChance(component, side, 0.01 * (1 + number % 7 + k)) for k, side in enumerate(("left", "right"))]
    targets = tuple(CheckTarget(component, side, BAD, GOOD) for side in ("left", "right"))
    verdict = Verdict.FAIL if number % 2 else Verdict.PASS
    return priors, Finding(f"T{number}", f"T{number}", verdict, targets, set_level=True)


def test_sets_apart_are_as_if_each_were_alone() -> None:
    pairs = [pair(n) for n in range(PAIRS)]
    together = diagnose([p for priors, _ in pairs for p in priors], [finding for _, finding in pairs])
    for priors, finding in pairs:
        alone = diagnose(priors, [finding])
        for prior in priors:
            expected = alone.of(*prior.part)
            found = together.of(*prior.part)
            assert found.posterior == pytest.approx(expected.posterior, rel=1e-12)
            assert [m.log_odds for m in found.moves] == pytest.approx([m.log_odds for m in expected.moves])


def test_one_pair_by_hand() -> None:
    """Bayes' rule over the four states of a pair; the check fails if either is bad."""
    priors, finding = pair(1)
    a, b = (p.chance_bad for p in priors)
    either = a + b - a * b
    total = either * BAD.fail + (1 - either) * GOOD.fail
    found = diagnose(priors, [finding])
    assert found.of("component_1", "left").posterior == pytest.approx(a * BAD.fail / total)
    assert found.of("component_1", "right").posterior == pytest.approx(b * BAD.fail / total)
