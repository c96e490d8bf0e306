"""A full check after its quick look, against the diagnosis that weighs both (`one_fact_once`): exact odds by hand."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import Finding, PriorChance
from analytics.outcomes import CONCLUSIVE, Shares, Verdict
from analytics.planning_types import CheckTarget
from analytics.repeat_reading import after_quick_look
from tests.analytics.planning_cases import shares

PART = "chain_sprockets"


def target(bad: Shares, good: Shares) -> CheckTarget:
    return CheckTarget(PART, None, bad, good)


def posterior(prior: float, *findings: Finding) -> float:
    return diagnose([PriorChance(PART, None, prior)], findings).of(PART).posterior


@settings(max_examples=200, deadline=None, derandomize=True)
@given(shares(), shares(), shares(), shares())
def test_chances_after_are_those_of_the_diagnosis_and_their_mean_is_the_chance_now(a, b, c, d):
    full, quick, prior = target(a, b), target(c, d), 0.3
    for said in CONCLUSIVE:
        looked = Finding("T26q", "T26", said, (quick,))
        now = posterior(prior, looked)
        left = after_quick_look(full, quick, said)
        if left is None:
            continue
        mean = 0.0
        for verdict in CONCLUSIVE:
            bad, good = left.given_bad.share(verdict), left.given_good.share(verdict)
            chance = now * bad + (1 - now) * good
            mean += now * bad
            if chance > 1e-9:
                both = posterior(prior, looked, Finding("T26", "T26", verdict, (full,)))
                assert now * bad / chance == pytest.approx(both, rel=1e-5)
        assert mean == pytest.approx(now, rel=1e-9)


def test_a_weaker_full_check_has_nothing_left_to_say():
    strong = target(Shares(0.9, 0.05, 0.05), Shares(0.01, 0.04, 0.95))
    weak = target(Shares(0.4, 0.3, 0.3), Shares(0.3, 0.3, 0.4))
    assert after_quick_look(weak, strong, Verdict.FAIL) is None
    assert after_quick_look(strong, weak, Verdict.FAIL) is not None
