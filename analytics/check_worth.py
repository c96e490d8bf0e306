"""What is a check worth? The loss it lets one avoid, at the price of its own errors.

A part is bad with chance p. Left alone it costs p times the loss; acted on it costs the cost of acting, bad or
not. The better of the two is taken, before the check and again after each outcome; the worth of a check is the
expected difference (expected value of sample information: Raiffa and Schlaifer, Applied Statistical Decision
Theory, 1961; from memory). It is never negative, and it may be 0 for a check that cannot change what one does.

Several checks on one part are valued together, over every combination of outcomes, so that a second check on a
part nearly cleared adds little. What is assumed: outcomes are independent given the part's state, parts are bad
independently of each other. A check on a set (one outcome, several parts) is read, for each part, against the
chance that another of the set is bad; what checks on those *other* parts would explain away is not counted, so
that the worth with set-level checks is a lower bound. Where the shares of a set's parts differ, "another is bad"
uses their average, weighted by their chances.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analytics.outcomes import CONCLUSIVE, Verdict
from analytics.planning_types import CheckOption, ComponentRisk, InvalidPlanInput

Part = tuple[str, str | None]
Choice = frozenset[str]  # ids of the options chosen

MOST_CHECKS_ON_A_PART = 8  # 4^8 outcome combinations; the least valuable beyond it count as worth nothing to it


@dataclass(frozen=True)
class PartWorth:
    """Worth of every permitted choice of options that look at the same parts.

    `options` are ids; `table` gives the worth of each subset with at most one option of a parent.
    """

    options: tuple[str, ...]
    table: Mapping[Choice, float]

    def of(self, choice: Iterable[str]) -> float:
        """Worth of what `choice` does for these parts."""
        return self.table[frozenset(choice) & frozenset(self.options)]


@dataclass(frozen=True)
class PartAfter:
    """A part after an outcome: its chance of being bad and whether acting is then the cheaper thing."""

    component: str
    position: str | None
    chance_bad: float
    act: bool


@dataclass(frozen=True)
class OutcomeOutlook:
    """What an outcome would change. For a check on several parts read one by one the chance is each part's own,
    so `chance` is given only where the check has one outcome (one target, or a set); else nan."""

    verdict: Verdict
    chance: float
    parts: tuple[PartAfter, ...]


def risks_by_part(risks: Sequence[ComponentRisk]) -> dict[Part, ComponentRisk]:
    """Index risks; two for one part are refused."""
    index: dict[Part, ComponentRisk] = {}
    for risk in risks:
        if risk.part in index:
            raise InvalidPlanInput(f"risk of {risk.component} at {risk.position or 'no position'} is given twice")
        index[risk.part] = risk
    return index


def outcome_chances(check: CheckOption, part: Part, risks: Mapping[Part, ComponentRisk]) -> NDArray[np.float64]:
    """Chances of fail, marginal, pass if the part is bad (row 0) and if it is good (row 1), shape (2, 3)."""
    target = next(t for t in check.targets if t.part == part)
    bad, good = np.array(target.given_bad.as_tuple()), np.array(target.given_good.as_tuple())
    if check.set_level:
        others = [(risks[t.part].chance_bad_now, t) for t in check.targets if t.part != part and t.part in risks]
        weight = sum(chance for chance, _ in others)
        if weight > 0:
            another_bad = 1 - float(np.prod([1 - chance for chance, _ in others]))
            mixed = sum(chance * np.array(t.given_bad.as_tuple()) for chance, t in others) / weight
            good = another_bad * mixed + (1 - another_bad) * good
    return np.vstack([bad, good])


def part_worths(options: Sequence[CheckOption], risks: Mapping[Part, ComponentRisk]) -> tuple[PartWorth, ...]:
    """Worth tables of all parts at stake; parts looked at by the same options share a table.

    Parameters
    ----------
    options : sequence of CheckOption
    risks : mapping from (component, position) to ComponentRisk
        A target without a risk has no worth.
    """
    merged: dict[tuple[str, ...], dict[Choice, float]] = {}
    for part, risk in risks.items():
        looking = [o for o in options if any(t.part == part for t in o.targets)]
        looking = _keep_most_valuable(looking, part, risks)
        if not looking:
            continue
        table = _worth_table(looking, part, risk, risks)
        into = merged.setdefault(tuple(o.id for o in looking), dict.fromkeys(table, 0.0))
        for choice, worth in table.items():
            into[choice] += worth
    return tuple(PartWorth(ids, table) for ids, table in merged.items())


def worth_of(choice: Iterable[str], worths: Sequence[PartWorth]) -> float:
    """Expected loss avoided by the options with these ids, all together."""
    chosen = frozenset(choice)
    return sum(worth.of(chosen) for worth in worths)


def outlook(check: CheckOption, risks: Sequence[ComponentRisk]) -> tuple[OutcomeOutlook, ...]:
    """What fail, marginal and pass of one check would each change, for the parts at stake."""
    index = risks_by_part(risks)
    parts = [index[t.part] for t in check.targets if t.part in index]
    single = check.set_level or len(check.targets) == 1
    found = []
    for column, verdict in enumerate(CONCLUSIVE):
        after = []
        chance = float("nan")
        for risk in parts:
            shares = outcome_chances(check, risk.part, index)[:, column]
            p = risk.chance_bad_now
            total = p * shares[0] + (1 - p) * shares[1]
            posterior = float(p * shares[0] / total) if total > 0 else p
            if single:
                chance = float(total)
            act = posterior * risk.loss_if_missed > risk.cost_to_act
            after.append(PartAfter(risk.component, risk.position, posterior, act))
        found.append(OutcomeOutlook(verdict, chance, tuple(after)))
    return tuple(found)


def _worth_table(
    looking: Sequence[CheckOption], part: Part, risk: ComponentRisk, risks: Mapping[Part, ComponentRisk]
) -> dict[Choice, float]:
    """Walk through the choices parent by parent, carrying the joint outcome chances if bad and if good."""
    p, loss, cost = risk.chance_bad_now, risk.loss_if_missed, risk.cost_to_act
    now = min(p * loss, cost)
    states: list[tuple[Choice, NDArray[np.float64]]] = [(frozenset(), np.array([[p], [1 - p]]))]
    for _, variants in groupby(sorted(looking, key=lambda o: o.parent), key=lambda o: o.parent):
        chances = {o.id: outcome_chances(o, part, risks) for o in variants}
        states += [
            (choice | {id_}, (joint[:, :, None] * shares[:, None, :]).reshape(2, -1))
            for choice, joint in states
            for id_, shares in chances.items()
        ]
    return {
        choice: max(0.0, now - float(np.minimum(joint[0] * loss, joint.sum(axis=0) * cost).sum()))
        for choice, joint in states
    }


def _keep_most_valuable(
    looking: list[CheckOption], part: Part, risks: Mapping[Part, ComponentRisk]
) -> list[CheckOption]:
    if len(looking) <= MOST_CHECKS_ON_A_PART:
        return looking
    alone = {o.id: _worth_table([o], part, risks[part], risks)[frozenset([o.id])] for o in looking}
    kept = {o.id for o in sorted(looking, key=lambda o: -alone[o.id])[:MOST_CHECKS_ON_A_PART]}
    return [o for o in looking if o.id in kept]
