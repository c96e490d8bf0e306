"""Evidence laid out over the parts: one row a symptom, fact, finding or condition, and each fact counted once."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.diagnosis_types import (
    Evidence,
    EvidenceRules,
    Finding,
    HistoryFact,
    InvalidEvidence,
    NonRunner,
    Part,
    Symptom,
    Verdict,
)
from analytics.fault_sets import Term, at_least_one, layered
from analytics.outcomes import likelihood_ratio


@dataclass
class EvidenceRow:
    """One piece of evidence laid out over the parts."""

    evidence: Evidence
    log_ratio: NDArray[np.float64]
    condition: tuple[Term, ...] | None = None
    members: frozenset[int] = frozenset()
    strength: float = 0.0  # |log ratio| of the condition
    dropped: dict[int, str] = field(default_factory=dict)  # part index -> why

    def drop(self, part: int, reason: str) -> None:
        self.log_ratio[part] = 0.0
        self.dropped[part] = reason


def row_of(
    evidence: Evidence,
    index: dict[Part, int],
    rules: EvidenceRules,
    covariates: Collection[str],
    age_known: Collection[str],
) -> EvidenceRow:
    row = EvidenceRow(evidence, np.zeros(len(index)))
    if isinstance(evidence, NonRunner):
        row.members = frozenset(index[m] for m in evidence.members if m in index)
        if not row.members:
            raise InvalidEvidence(f"{evidence.id}: none of its members is a part of this machine")
        row.condition, row.strength = at_least_one(row.members), math.inf
    elif isinstance(evidence, Finding):
        _lay_finding(row, evidence, index, rules)
    else:
        _lay_ratios(row, evidence, index, rules)
        if isinstance(evidence, HistoryFact):
            _switch_off(row, evidence, index, covariates, age_known)
    return row


def _lay_ratios(
    row: EvidenceRow, evidence: Symptom | HistoryFact, index: dict[Part, int], rules: EvidenceRules
) -> None:
    cap = math.log(rules.cap_symptom_or_history)
    exponent = rules.reported_exponent if isinstance(evidence, Symptom) and evidence.reported else 1.0
    for (component, position), i in index.items():
        ratio = evidence.ratios.get(component, 1.0)
        if isinstance(evidence, Symptom) and component in evidence.ratios and _is_elsewhere(evidence, position):
            ratio = evidence.elsewhere
        row.log_ratio[i] = exponent * float(np.clip(math.log(ratio), -cap, cap))


def _is_elsewhere(symptom: Symptom, position: str | None) -> bool:
    return symptom.positions is not None and position is not None and position not in symptom.positions


def _switch_off(
    row: EvidenceRow, fact: HistoryFact, index: dict[Part, int], covariates: Collection[str], age_known: Collection[str]
) -> None:
    for (component, _), i in index.items():
        if component not in fact.ratios:
            continue
        if fact.duplicates_covariate in covariates:
            row.drop(i, f"the life model already counts this ({fact.duplicates_covariate})")
        elif component in fact.not_when_age_known and component in age_known:
            row.drop(i, "the part's age is known and already counted")


def _lay_finding(row: EvidenceRow, finding: Finding, index: dict[Part, int], rules: EvidenceRules) -> None:
    here = [(index[t.part], t) for t in finding.targets if t.part in index]
    if not finding.prerequisites_met or finding.verdict is Verdict.INCONCLUSIVE:
        why = "inconclusive" if finding.prerequisites_met else "a prerequisite was not met: it says nothing"
        for i, _ in here:
            row.drop(i, why)
        return
    cap = rules.cap_measured_check
    ratios = {i: _capped(likelihood_ratio(finding.verdict, t.given_bad, t.given_good), cap) for i, t in here}
    if not finding.set_level:
        for i, ratio in ratios.items():
            row.log_ratio[i] = math.log(ratio)
        return
    if not here:
        return
    layers: dict[tuple[float, float], set[int]] = {}
    for i, target in here:
        layers.setdefault((target.given_bad.fail, ratios[i]), set()).add(i)
    strongest_first = sorted(layers.items(), key=lambda item: -item[0][0])
    row.members = frozenset(ratios)
    row.condition = layered([(ratio, frozenset(members)) for (_, ratio), members in strongest_first])
    row.strength = max(abs(math.log(ratio)) for ratio in ratios.values())


def _capped(ratio: float, cap: float) -> float:
    return min(max(ratio, 1 / cap), cap)


def one_fact_once(rows: Sequence[EvidenceRow]) -> None:
    """Within a check, then within an evidence group, keep the strongest single row a part; a tie goes to the later."""
    for fact in (_check_key, _group_key):
        groups: dict[str, list[EvidenceRow]] = {}
        for row in rows:
            if (key := fact(row.evidence)) is not None:
                groups.setdefault(key, []).append(row)
        for same in groups.values():
            if len(same) > 1:
                _keep_strongest(same)


def _check_key(evidence: Evidence) -> str | None:
    return evidence.parent if isinstance(evidence, Finding) else None


def _group_key(evidence: Evidence) -> str | None:
    return None if isinstance(evidence, NonRunner) else evidence.group


def _keep_strongest(same: Sequence[EvidenceRow]) -> None:
    sets = [row for row in same if row.condition is not None]
    if sets:
        _keep_set_or_rows(same, sets)
    for i in range(len(same[0].log_ratio)):
        speaking = [row for row in same if row.log_ratio[i] != 0]
        if len(speaking) > 1:
            _, best = max((abs(row.log_ratio[i]), n) for n, row in enumerate(speaking))
            for row in speaking:
                if row is not speaking[best]:
                    row.drop(i, f"the same fact as {speaking[best].evidence.id}, which says more")


def _keep_set_or_rows(same: Sequence[EvidenceRow], sets: Sequence[EvidenceRow]) -> None:
    """One set-level reading stands for the fact, unless a row on one of its members says more."""
    _, n = max((row.strength, n) for n, row in enumerate(sets))
    best = sets[n]
    rivals = [(abs(row.log_ratio[i]), row) for row in same for i in best.members if row.log_ratio[i] != 0]
    stronger = [(strength, row.evidence.id) for strength, row in rivals if strength > best.strength]
    for row in sets:
        if row is not best or stronger:
            winner = max(stronger)[1] if stronger and row is best else best.evidence.id
            _drop_condition(row, f"the same fact as {winner}, which says more")
    if not stronger:
        for _, row in rivals:
            for i in best.members:
                if row.log_ratio[i] != 0:
                    row.drop(i, f"the same fact as {best.evidence.id}, which speaks for the set")


def _drop_condition(row: EvidenceRow, reason: str) -> None:
    row.condition = None
    row.dropped |= dict.fromkeys(row.members, reason)
