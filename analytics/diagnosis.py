"""How likely is each part bad, given everything seen, told and measured, and what moved it?

Odds after = odds before times likelihood ratio, with the rules of the trade brief (its ratios are invented priors):

* a symptom or history ratio is capped at 30, a measured check at 100, the product of a part's own rows at 200;
* a symptom somebody only reported counts with the square root of its ratio;
* rows of one evidence group, and readings of one check, describe one fact: the strongest single row counts;
* a row that the life model already carries as a covariate is off;
* an inconclusive reading, or one whose prerequisites are unmet, has ratio 1.

What speaks for a set of parts (a charging voltage; a machine that will not start) is not spread over them as
independent ratios: the posterior is exact over all states of the set, several bad at once allowed (`fault_sets`).
The product cap does not apply to it, since the set shares it out. A set-level check takes the place of the rows of
its evidence group on its members, unless one of those is stronger.

Moves are counted in the order: non-runner, then the evidence as given. They add up to the posterior exactly; of a
set, what a piece of evidence is said to have moved depends on that order, the posterior does not.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.diagnosis_types import (
    MOST_TIED,
    Diagnosis,
    Evidence,
    EvidenceRules,
    Finding,
    InvalidEvidence,
    JointChances,
    Move,
    NonRunner,
    NotCounted,
    Part,
    PartDiagnosis,
    PriorChance,
    Verdict,
)
from analytics.evidence_rows import EvidenceRow, one_fact_once, row_of
from analytics.fault_sets import LEAST_CHANCE, Term, joint_states, posterior_log_odds, tied

NO_MOVE = 1e-12


def sticking_chance(idle_months: float, scale_months: float = 20.0, shape: float = 1.5) -> float:
    """Chance that one lay-up leaves a fuel part stuck: 1 - exp(-(months / scale)^shape); defaults are invented."""
    if idle_months < 0:
        raise InvalidEvidence(f"idle_months must be 0 or more, not {idle_months}")
    return 1 - math.exp(-((idle_months / scale_months) ** shape))


def with_idle_damage(chance_bad: float, idle_damage: float) -> float:
    """Chance bad of a part that may have worn before the lay-up or been damaged by it."""
    return chance_bad + idle_damage * (
        1 - chance_bad
    )  # in this order: without damage nothing moves, not by rounding either


def diagnose(
    priors: Sequence[PriorChance],
    evidence: Sequence[Evidence],
    rules: EvidenceRules | None = None,
    covariates: Collection[str] = (),
    age_known: Collection[str] = (),
) -> Diagnosis:
    """Posterior of every part, with the list of what moved it.

    Parameters
    ----------
    priors : sequence of PriorChance
        One for each part of the machine.
    evidence : sequence of Symptom, HistoryFact, Finding, NonRunner
        In the order observed. Components the machine lacks are passed over.
    rules : EvidenceRules, optional
    covariates : collection of str
        Covariates the life model behind the priors carries (idle, load, region).
    age_known : collection of str
        Components whose age was set from an invoice.

    Raises
    ------
    InvalidEvidence
        If a part is given twice, no member of a NonRunner is on the machine, or nothing remains possible.
    """
    rules = rules or EvidenceRules()
    index = {p.part: i for i, p in enumerate(priors)}
    if len(index) < len(priors):
        raise InvalidEvidence("a part is given twice among the priors; give each component and position once")
    ordered = sorted(evidence, key=lambda e: not isinstance(e, NonRunner))
    rows = [row_of(e, index, rules, covariates, age_known) for e in ordered]
    one_fact_once(rows)
    chances = np.clip([p.chance_bad for p in priors], LEAST_CHANCE, 1 - LEAST_CHANCE)
    prior_log_odds = np.log(chances) - np.log1p(-chances)
    trail = _trail(prior_log_odds, rows, math.log(rules.cap_product_per_component))
    parts = [_explained(i, prior, trail, rows, rules) for i, prior in enumerate(priors)]
    joint = _joint([p.part for p in priors], prior_log_odds, rows, rules)
    return Diagnosis(tuple(sorted(parts, key=lambda p: -p.posterior_log_odds)), joint)


def _trail(
    prior_log_odds: NDArray[np.float64], rows: Sequence[EvidenceRow], product_cap: float
) -> list[NDArray[np.float64]]:
    """Log odds of every part before any row and after each."""
    own = np.zeros_like(prior_log_odds)
    conditions: list[tuple[Term, ...]] = []
    trail = [prior_log_odds]
    for row in rows:
        own = own + row.log_ratio
        if row.condition is not None:
            conditions.append(row.condition)
        odds = prior_log_odds + np.clip(own, -product_cap, product_cap)
        trail.append(posterior_log_odds(_chance(odds), conditions) if conditions else odds)
    return trail


def _joint(
    parts: Sequence[Part], prior_log_odds: NDArray[np.float64], rows: Sequence[EvidenceRow], rules: EvidenceRules
) -> tuple[JointChances, ...]:
    """Joint chances of the parts each gathering of conditions ties."""
    cap = math.log(rules.cap_product_per_component)
    own = np.zeros_like(prior_log_odds) + sum(row.log_ratio for row in rows)
    chances = _chance(prior_log_odds + np.clip(own, -cap, cap))
    found = []
    for members, conditions in tied([row.condition for row in rows if row.condition is not None]):
        if 1 < len(members) <= MOST_TIED:
            found.append(JointChances(tuple(parts[m] for m in members), *joint_states(chances, conditions, members)))
    return tuple(found)


def _chance(log_odds: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def _explained(
    i: int, prior: PriorChance, trail: Sequence[NDArray[np.float64]], rows: Sequence[EvidenceRow], rules: EvidenceRules
) -> PartDiagnosis:
    moves = []
    for row, before, after in zip(rows, trail, trail[1:], strict=False):
        log_odds = float(after[i] - before[i])
        if abs(log_odds) > NO_MOVE:
            direct = row.log_ratio[i] != 0 or i in row.members
            note = _note(row, i, log_odds, rules) if direct else None
            moves.append(Move(row.evidence.id, log_odds, not direct, note))
    not_counted = [NotCounted(row.evidence.id, row.dropped[i]) for row in rows if i in row.dropped]
    start, end = float(trail[0][i]), float(trail[-1][i])
    return PartDiagnosis(
        component=prior.component,
        position=prior.position,
        prior=prior.chance_bad,
        posterior=float(_chance(trail[-1])[i]),
        prior_log_odds=start,
        posterior_log_odds=end,
        moves=tuple(moves),
        not_counted=tuple(not_counted),
    )


def _note(row: EvidenceRow, i: int, log_odds: float, rules: EvidenceRules) -> str | None:
    """What has to be said beside a move."""
    evidence = row.evidence
    if isinstance(evidence, Finding) and evidence.verdict is Verdict.PASS:
        weak = not evidence.set_level and row.log_ratio[i] > math.log(rules.weak_pass_above)
        if weak or evidence.weak_pass:
            return "a pass here does not clear it"
    if row.log_ratio[i] != 0 and row.condition is None and abs(log_odds) < abs(row.log_ratio[i]) - NO_MOVE:
        return "held back by the cap on one part's evidence, or shared with a set"
    return None
