"""Sets of parts that explain one observation: exact posteriors without walking through every state.

Each part is bad with its own chance, independently, before the sets speak. A condition multiplies the chance of a
state by a number that depends only on which of its layers holds a bad part: it is a sum of terms, a coefficient
times "none of these parts is bad". Products of such sums are such sums, and the chance that none of a list of
independent parts is bad is a product; so the posterior over any number of parts, several bad at once allowed, takes
as many terms as the conditions have combinations (inclusion and exclusion).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analytics.diagnosis_types import Finding, InvalidEvidence, Part, Verdict

LEAST_CHANCE = 1e-12

Term = tuple[float, frozenset[int]]


@dataclass(frozen=True, eq=False)  # arrays have no single truth of being equal
class SetTable:
    """Exactly one part of the set is bad, or none: the chances after each finding.

    Attributes
    ----------
    parts : tuple of (component, position)
    after : tuple of str
        "prior", then the check of each finding.
    chances : array of shape (len(after), len(parts) + 1)
        The last column is "none of these"; rows sum to 1.
    """

    parts: tuple[Part, ...]
    after: tuple[str, ...]
    chances: NDArray[np.float64]


def at_least_one(members: frozenset[int]) -> tuple[Term, ...]:
    """Condition: not all members are good."""
    return (1.0, frozenset()), (-1.0, members)


def layered(ratios: Sequence[tuple[float, frozenset[int]]]) -> tuple[Term, ...]:
    """Condition: the likelihood, against a good set, is the ratio of the first layer that holds a bad part.

    Parameters
    ----------
    ratios : sequence of (ratio, members), strongest layer first
        1 where no layer holds a bad part.
    """
    terms: list[Term] = [(ratios[0][0], frozenset())]
    covered: frozenset[int] = frozenset()
    following = [ratio for ratio, _ in ratios[1:]] + [1.0]
    for (ratio, members), after in zip(ratios, following, strict=True):
        covered |= members
        terms.append((after - ratio, covered))
    return tuple(terms)


def posterior_log_odds(chances: NDArray[np.float64], conditions: Sequence[Sequence[Term]]) -> NDArray[np.float64]:
    """Log odds that each part is bad, given all conditions.

    Parameters
    ----------
    chances : array of shape (n,)
        Independent chances before the conditions, inside 0..1.
    conditions : sequence of conditions, each a sequence of terms

    Returns
    -------
    array of shape (n,)
        Kept inside the log odds of 1e-12 and its complement.
    """
    log_odds = np.log(np.maximum(chances, LEAST_CHANCE)) - np.log(np.maximum(1 - chances, LEAST_CHANCE))
    # Conditions that share no part factorise: together they would take as many terms as all their combinations.
    for members, held in tied(conditions):
        log_odds[members] = _within(chances, held)[members]
    return log_odds


def _within(chances: NDArray[np.float64], conditions: Sequence[Sequence[Term]]) -> NDArray[np.float64]:
    """Log odds of every part, given conditions that are all multiplied out."""
    terms: dict[frozenset[int], float] = {frozenset(): 1.0}
    for condition in conditions:
        product: dict[frozenset[int], float] = {}
        for union, coefficient in terms.items():
            for factor, members in condition:
                key = union | members
                product[key] = product.get(key, 0.0) + coefficient * factor
        terms = product
    good = 1 - chances
    bad_weight, good_weight = np.zeros_like(chances), np.zeros_like(chances)
    for members, coefficient in terms.items():
        inside = np.zeros(len(chances), dtype=bool)
        inside[list(members)] = True
        weight = coefficient * float(np.prod(good[inside]))
        bad_weight += np.where(inside, 0.0, weight * chances)
        good_weight += np.where(inside, weight, weight * good)
    total = bad_weight + good_weight
    if not (total > 0).all():
        raise InvalidEvidence("the evidence contradicts itself: it leaves no state possible; take a finding back")
    floor = LEAST_CHANCE * total
    return np.log(np.maximum(bad_weight, floor)) - np.log(np.maximum(good_weight, floor))


def joint_states(
    chances: NDArray[np.float64], conditions: Sequence[Sequence[Term]], members: Sequence[int]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Every state of the members, shape (2^k, k), and how likely it is given the conditions, shape (2^k,).

    The conditions must speak of these members alone.
    """
    states = np.array(list(product([False, True], repeat=len(members))), dtype=bool)
    column = {part: i for i, part in enumerate(members)}
    weights = np.prod(np.where(states, chances[list(members)], 1 - chances[list(members)]), axis=1)
    for condition in conditions:
        factor = np.zeros(len(states))
        for coefficient, none_of in condition:
            factor += coefficient * ~states[:, [column[m] for m in none_of]].any(axis=1)
        weights = weights * factor
    return states, np.maximum(weights, 0) / np.maximum(weights, 0).sum()


def tied(conditions: Sequence[Sequence[Term]]) -> list[tuple[list[int], list[Sequence[Term]]]]:
    """Conditions that share members, gathered: (members, conditions) of each gathering."""
    gathered: list[tuple[set[int], list[Sequence[Term]]]] = []
    for condition in conditions:
        members = {m for _, none_of in condition for m in none_of}
        sharing = [g for g in gathered if g[0] & members]
        gathered = [g for g in gathered if not g[0] & members]
        together = [c for _, held in sharing for c in held]
        gathered.append((members.union(*(g[0] for g in sharing)), [*together, condition]))
    return [(sorted(members), held) for members, held in gathered]


def single_fault_table(priors: Mapping[Part, float], findings: Sequence[Finding]) -> SetTable:
    """Which one of the set explains what was seen, if any?

    Parameters
    ----------
    priors : mapping from (component, position) to the chance that this part and no other of the set is bad
        They sum to at most 1; the rest is "none of these".
    findings : sequence of Finding
        In the order made. Inconclusive ones, or with prerequisites unmet, change nothing.

    Raises
    ------
    InvalidEvidence
        If the priors are no chances or sum to more than 1.
    """
    parts = tuple(priors)
    weights = np.array([*priors.values(), 1 - sum(priors.values())])
    if (weights < -1e-12).any():
        raise InvalidEvidence("priors of one fault at a time must each be 0 or more and sum to at most 1")
    rows = [np.maximum(weights, 0.0)]
    for finding in findings:
        likelihood = np.array([_likelihood(finding, part) for part in (*parts, None)])
        weighted = rows[-1] * likelihood
        if weighted.sum() <= 0:
            raise InvalidEvidence(f"finding {finding.check} leaves no state possible; take it or an earlier one back")
        rows.append(weighted / weighted.sum())
    return SetTable(parts, ("prior", *(f.check for f in findings)), np.vstack(rows))


def _likelihood(finding: Finding, bad: Part | None) -> float:
    """Chance of the finding if `bad` is the one bad part of the set (None: none is)."""
    verdict = finding.verdict if finding.prerequisites_met else Verdict.INCONCLUSIVE
    if finding.set_level:
        target = next((t for t in finding.targets if t.part == bad), None)
        return (target.given_bad if target else finding.targets[0].given_good).share(verdict)
    likelihood = 1.0
    for target in finding.targets:
        likelihood *= (target.given_bad if target.part == bad else target.given_good).share(verdict)
    return likelihood
