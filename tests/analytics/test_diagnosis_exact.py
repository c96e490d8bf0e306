"""Posteriors against exact enumeration of all states of small networks, by code in this file (Bayes' rule)."""

from __future__ import annotations

import math
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import (
    CheckTarget,
    EvidenceRules,
    Finding,
    InvalidEvidence,
    NonRunner,
    PriorChance,
    Symptom,
    Verdict,
)
from analytics.fault_sets import layered
from analytics.outcomes import CONCLUSIVE, Shares

PARTS = [("regulator_rectifier", None), ("injector", "1"), ("injector", "2"), ("stator", None), ("battery", None)]
NO_CAPS = EvidenceRules(1e9, 1e9, 1e9)


@st.composite
def shares(draw):
    fail, marginal = draw(st.integers(1, 60)) / 100, draw(st.integers(1, 38)) / 100
    return Shares(fail, marginal, 1 - fail - marginal)


@st.composite
def networks(draw):
    priors = {part: draw(st.integers(1, 60)) / 100 for part in PARTS}
    some = st.lists(st.sampled_from(PARTS), min_size=1, max_size=4, unique=True)
    evidence = []
    for n in range(draw(st.integers(1, 5))):
        good = draw(shares())
        kind = draw(st.sampled_from(["symptom", "finding", "set", "non_runner"]))
        if kind == "symptom":
            names = draw(st.lists(st.sampled_from(["injector", "stator", "battery"]), min_size=1, unique=True))
            evidence.append(Symptom(f"S{n}", {c: draw(st.integers(1, 200)) / 20 for c in names}))
        elif kind == "non_runner":
            evidence.append(NonRunner(f"N{n}", frozenset(draw(some))))
        else:
            one = draw(shares())
            same = kind == "set" and draw(st.booleans())
            targets = tuple(CheckTarget(*p, one if same else draw(shares()), good) for p in draw(some))
            verdict = draw(st.sampled_from(CONCLUSIVE))
            evidence.append(Finding(f"T{n}", f"T{n}", verdict, targets, set_level=kind == "set"))
    return priors, evidence


def likelihood(evidence, bad):
    """Chance of the evidence in a state, up to a factor the states share."""
    if isinstance(evidence, NonRunner):
        return float(any(bad[m] for m in evidence.members))
    if isinstance(evidence, Symptom):
        return math.prod(evidence.ratios.get(c, 1) for (c, _), is_bad in bad.items() if is_bad)
    hit = [t.given_bad for t in evidence.targets if bad[t.part]]
    if evidence.set_level:
        shares = max(hit, key=lambda s: s.fail) if hit else evidence.targets[0].given_good
        return shares.share(evidence.verdict)
    return math.prod((t.given_bad if bad[t.part] else t.given_good).share(evidence.verdict) for t in evidence.targets)


def enumerated(priors, evidence):
    total, bad_total = 0.0, dict.fromkeys(priors, 0.0)
    for states in product([False, True], repeat=len(priors)):
        bad = dict(zip(priors, states, strict=True))
        weight = math.prod(p if bad[part] else 1 - p for part, p in priors.items())
        weight *= math.prod(likelihood(e, bad) for e in evidence)
        total += weight
        for part in priors:
            bad_total[part] += weight * bad[part]
    return {part: b / total for part, b in bad_total.items()}


def fails_tie(evidence):
    """Layers of equal share of fails but other shares have no first: left out of the comparison."""
    return any(
        isinstance(e, Finding)
        and e.set_level
        and len({t.given_bad for t in e.targets}) > len({t.given_bad.fail for t in e.targets})
        for e in evidence
    )


@settings(max_examples=200, deadline=None, derandomize=True)
@given(networks())
def test_posterior_equals_enumeration_and_moves_add_up(network):
    priors, evidence = network
    found = diagnose([PriorChance(*part, p) for part, p in priors.items()], evidence, NO_CAPS)
    exact = enumerated(priors, evidence)
    for part in found.parts:
        if not fails_tie(evidence):
            assert part.posterior == pytest.approx(exact[part.component, part.position], abs=1e-9)
        moved = part.prior_log_odds + math.fsum(m.log_odds for m in part.moves)
        assert moved == pytest.approx(part.posterior_log_odds, abs=1e-9)
        assert part.posterior == pytest.approx(1 / (1 + math.exp(-part.posterior_log_odds)), abs=1e-12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(networks(), st.randoms(use_true_random=False))
def test_the_order_of_evidence_does_not_change_the_posterior(network, random):
    priors, evidence = network
    shuffled = list(evidence)
    random.shuffle(shuffled)
    listed = [PriorChance(*part, p) for part, p in priors.items()]
    one, other = diagnose(listed, evidence), diagnose(list(reversed(listed)), shuffled)
    for part in one.parts:
        assert part.posterior == pytest.approx(other.of(part.component, part.position).posterior, abs=1e-9)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(networks())
def test_joint_chances_of_tied_parts_have_the_posteriors_as_margins(network):
    priors, evidence = network
    found = diagnose([PriorChance(*part, p) for part, p in priors.items()], evidence)
    for joint in found.joint:
        for part, marginal in zip(joint.parts, joint.marginals, strict=True):
            assert marginal == pytest.approx(found.of(*part).posterior, abs=1e-9)


def test_at_least_one_of_two_by_hand():
    """p = 0.2 and 0.5: P(any) = 0.6; P(first | any) = 1/3, P(second | any) = 5/6; both bad stays possible."""
    priors = [PriorChance("fuel_pump", None, 0.2), PriorChance("injector", None, 0.5)]
    found = diagnose(priors, [NonRunner("no start", frozenset(p.part for p in priors))])
    assert found.of("fuel_pump").posterior == pytest.approx(1 / 3)
    assert found.of("injector").posterior == pytest.approx(5 / 6)


def test_only_part_of_a_set_that_must_hold_a_fault():
    found = diagnose([PriorChance("fuel_pump", None, 0.01)], [NonRunner("no start", frozenset([("fuel_pump", None)]))])
    assert found.parts[0].posterior == pytest.approx(1)


def test_layers_by_hand():
    """Strong layer 0 with ratio 5, weak layer 1 with ratio 2: terms 5, -3 on {0}, -1 on {0, 1}."""
    strong, weak = frozenset([0]), frozenset([1])
    assert layered([(5.0, strong), (2.0, weak)]) == ((5.0, frozenset()), (-3.0, strong), (-1.0, strong | weak))


def test_impossible_evidence_is_refused():
    with pytest.raises(InvalidEvidence, match="none of its members"):
        diagnose([PriorChance("battery", None, 0.1)], [NonRunner("no start", frozenset([("carburettor", None)]))])
    with pytest.raises(InvalidEvidence, match="chance_bad must lie between 0 and 1"):
        PriorChance("battery", None, -0.1)
    with pytest.raises(InvalidEvidence, match="ratio of battery must be a number above 0"):
        Symptom("S01", {"battery": 0})
    with pytest.raises(InvalidEvidence, match="given twice"):
        diagnose([PriorChance("battery", None, 0.1)] * 2, [])


def test_verdicts_without_evidence_value_move_nothing():
    one = CheckTarget("battery", None, Shares(0.7, 0.2, 0.1), Shares(0.06, 0.14, 0.8))
    priors = [PriorChance("battery", None, 0.1)]
    for finding in (
        Finding("T02", "T02", Verdict.INCONCLUSIVE, (one,)),
        Finding("T02", "T02", Verdict.FAIL, (one,), prerequisites_met=False),
    ):
        part = diagnose(priors, [finding]).parts[0]
        assert part.posterior == pytest.approx(0.1)
        assert part.moves == ()
        assert part.not_counted[0].evidence == "T02"
