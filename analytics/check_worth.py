"""What is a check worth? The loss it lets one avoid, at the price of its own errors.

A part is bad with chance p. Left alone it costs p times the loss; acted on it costs the cost of acting, bad or
not. The better of the two is taken, before the check and again after each outcome; the worth of a check is the
expected difference (expected value of sample information: Raiffa and Schlaifer, Applied Statistical Decision
Theory, 1961; from memory). It is never negative, and it may be 0 for a check that cannot change what one does.

Several checks on the same parts are valued together, over every combination of outcomes, so that a second check on
a part nearly cleared adds little. Parts that stand together are valued together too: those a diagnosis has tied
(after a low charging voltage one of the set is bad, so a bad connector clears the regulator) and those one
set-level check speaks for.

Outcomes are independent given the parts' states. Two things are cut short, both to the low side: of many checks on
the same parts the worth counts the best few together (`JOINT_WORK`), and of a set too large to enumerate
(`MOST_PARTS`) each part is valued by itself, against the chance that another of the set is bad.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analytics.outcomes import CONCLUSIVE, Verdict
from analytics.part_groups import Part, PartGroup, groups_of_parts, likelihoods
from analytics.planning_types import CheckOption, ComponentRisk, InvalidPlanInput, JointChances

Choice = frozenset[str]  # ids of the options chosen

JOINT_WORK = 300_000  # outcome combinations times states for one group of parts
JOINT_CHOICES = 100  # choices valued for one group of parts


@dataclass(frozen=True)
class PartWorth:
    """Worth of choices of options that look at the same parts.

    `options` are ids; `table` gives the worth of each subset with at most one option of a parent and at most
    `most` options; of a larger choice the best `most` count.
    """

    options: tuple[str, ...]
    table: Mapping[Choice, float]
    most: int

    @cached_property
    def among(self) -> Choice:
        """The options as a set."""
        return frozenset(self.options)

    @cached_property
    def cut_short(self) -> bool:
        """True where a choice may be too large to have a worth of its own."""
        return max(map(len, self.table)) >= self.most

    def of(self, choice: Choice) -> float:
        """Worth of what `choice` does for these parts."""
        here = choice & self.among
        if len(here) <= self.most:
            return self.table[here]
        return max(worth for counted, worth in self.table.items() if counted <= here)


@dataclass(frozen=True)
class PartAfter:
    """A part after an outcome: its chance of being bad and whether acting is then the cheaper thing."""

    component: str
    position: str | None
    chance_bad: float
    act: bool


@dataclass(frozen=True)
class OutcomeOutlook:
    """What an outcome would change, on the parts looked at and on those tied to them.

    `chance` is that of the outcome where the check gives one (one target, or a set), else nan: each target then
    has its own.
    """

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


def part_worths(
    options: Sequence[CheckOption],
    risks: Mapping[Part, ComponentRisk],
    joint: Sequence[JointChances] = (),
    most: int | None = None,
) -> tuple[PartWorth, ...]:
    """Worth tables of all parts at stake; groups looked at by the same options share a table.

    Parameters
    ----------
    options : sequence of CheckOption
    risks : mapping from (component, position) to ComponentRisk
        A target without a risk has no worth.
    joint : sequence of JointChances
        Of parts that are not independent; their marginals are the risks' chances.
    most : int, optional
        Value at most so many options together; by default as many as `JOINT_WORK` allows.
    """
    merged: dict[tuple[tuple[str, ...], int], dict[Choice, float]] = {}
    parts_of = [frozenset(t.part for t in o.targets) for o in options]
    for group in groups_of_parts(options, risks, joint):
        looking = [o for o, parts in zip(options, parts_of, strict=True) if not parts.isdisjoint(group.index)]
        if not looking:
            continue
        factors = {o.id: likelihoods(o, group, risks) for o in looking}
        size = most or _most_together(looking, factors)
        into = merged.setdefault((tuple(o.id for o in looking), size), {})
        for choice, worth in _worths(looking, factors, group, risks, size):
            into[choice] = into.get(choice, 0.0) + worth
    return tuple(PartWorth(ids, table, size) for (ids, size), table in merged.items())


def worth_of(choice: Iterable[str], worths: Sequence[PartWorth]) -> float:
    """Expected loss avoided by the options with these ids, all together."""
    chosen = frozenset(choice)
    return sum(worth.of(chosen) for worth in worths)


def outlook(
    check: CheckOption, risks: Sequence[ComponentRisk], joint: Sequence[JointChances] = ()
) -> tuple[OutcomeOutlook, ...]:
    """What fail, marginal and pass of one check would each change, for the parts at stake."""
    index = risks_by_part(risks)
    about = {target.part for target in check.targets}
    groups = [group for group in groups_of_parts([check], index, joint) if not about.isdisjoint(group.parts)]
    single = check.set_level or len(check.targets) == 1
    found = []
    for column, verdict in enumerate(CONCLUSIVE):
        after: list[PartAfter] = []
        chance = float("nan")
        for group in groups:
            if single:
                weights = group.chances * likelihoods(check, group, index)[column]
                chance = float(weights.sum())
                after += [_after(index[part], group, weights) for part in group.parts]
                continue
            for target in (t for t in check.targets if t.part in group.index):
                bad = group.states[:, group.index[target.part]]
                shares = np.where(bad, target.given_bad.as_tuple()[column], target.given_good.as_tuple()[column])
                after.append(_after(index[target.part], group, group.chances * shares))
        found.append(OutcomeOutlook(verdict, chance, tuple(after)))
    return tuple(found)


def _after(risk: ComponentRisk, group: PartGroup, weights: NDArray[np.float64]) -> PartAfter:
    total = float(weights.sum())
    bad = float(weights[group.states[:, group.index[risk.part]]].sum())
    chance = bad / total if total > 0 else risk.chance_bad_now
    return PartAfter(risk.component, risk.position, chance, chance * risk.loss_if_missed > risk.cost_to_act)


def _most_together(looking: Sequence[CheckOption], factors: Mapping[str, NDArray[np.float64]]) -> int:
    """How many of these options can be valued together inside the work allowed; at least 2, so that pairs are exact.

    Coefficient k of the products below is the work, and the number, of all choices of k options.
    """
    work, number = np.ones(1), np.ones(1)
    states = next(iter(factors.values())).shape[1]
    for _, variants in groupby(sorted(looking, key=lambda o: o.parent), key=lambda o: o.parent):
        outcomes = [len(factors[o.id]) for o in variants]
        work = np.convolve(work, [1, sum(outcomes)])
        number = np.convolve(number, [1, len(outcomes)])
    inside = (np.cumsum(work) * states <= JOINT_WORK) & (np.cumsum(number) <= JOINT_CHOICES)
    return len(work) if inside.all() else max(2, int(inside.sum()) - 1)


def _worths(
    looking: Sequence[CheckOption],
    factors: Mapping[str, NDArray[np.float64]],
    group: PartGroup,
    risks: Mapping[Part, ComponentRisk],
    most: int,
) -> Iterator[tuple[Choice, float]]:
    """Walk through the choices parent by parent, carrying the joint chances of outcomes and states."""
    loss = np.array([risks[p].loss_if_missed for p in group.parts])
    cost = np.array([risks[p].cost_to_act for p in group.parts])

    def left(joint: NDArray[np.float64]) -> float:
        acting = joint.sum(axis=1)[:, None] * cost
        return float(np.minimum((joint @ group.states) * loss, acting).sum())

    walked: list[tuple[Choice, NDArray[np.float64]]] = [(frozenset(), group.chances[None, :])]
    now = left(walked[0][1])
    for _, variants in groupby(sorted(looking, key=lambda o: o.parent), key=lambda o: o.parent):
        names = [o.id for o in variants]
        walked += [
            (choice | {name}, (joint[:, None, :] * factors[name][None, :, :]).reshape(-1, joint.shape[1]))
            for choice, joint in walked
            if len(choice) < most
            for name in names
        ]
    for choice, joint in walked:
        yield choice, max(0.0, now - left(joint))
