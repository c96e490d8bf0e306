"""What to do next? The checks that are possible now, best worth per minute first, and what each would change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.access import way_in
from analytics.check_worth import OutcomeOutlook, outlook, part_worths, risks_by_part, worth_of
from analytics.plan_choice import open_already
from analytics.planning import refusal, worths_alone
from analytics.planning_types import AccessGroup, CheckOption, Circumstances, ComponentRisk, JointChances


@dataclass(frozen=True)
class NextCheck:
    """A check that could be done now.

    `minutes` hold the access it would need, `worth` is what it alone avoids, `outcomes` what fail, marginal and
    pass would change. Where it leans on checks not done yet (`first`), minutes and worth are of all of them together.
    """

    check: CheckOption
    minutes: float
    worth: float
    worth_per_minute: float
    outcomes: tuple[OutcomeOutlook, ...]
    first: tuple[str, ...] = ()


def next_checks(
    options: Sequence[CheckOption],
    groups: Sequence[AccessGroup],
    risks: Sequence[ComponentRisk],
    circumstances: Circumstances,
    joint: Sequence[JointChances] = (),
    most: int | None = None,
) -> tuple[NextCheck, ...]:
    """Checks that kit, permission, engine and minutes allow, best worth per minute first.

    Parameters
    ----------
    options : sequence of CheckOption
        Checks and variants not done yet.
    groups, risks, circumstances, joint
        As for `planning.plan_checks`, after the findings so far; `circumstances.minutes` are those left.
    most : int, optional
        How many to return.

    Notes
    -----
    A look at one check at a time: what stands first here need not be in the best plan for all the minutes.
    """
    by_group = {g.id: g for g in groups}
    minutes = {g.id: g.minutes for g in groups}
    already = open_already(circumstances, by_group)
    index = risks_by_part(risks)
    possible = [o for o in options if refusal(o, circumstances) is None]
    alone = worths_alone(possible, index, joint)
    found = []
    for option in possible:
        together = [*_leans_on(option, possible), option]
        ways = way_in({o.access_group for o in together} - already, by_group, minutes)
        needed = sum(o.minutes for o in together) + sum(minutes[g] for g in set(ways.values()))
        worth = alone[option.id]
        if len(together) > 1:
            worth = worth_of([o.id for o in together], part_worths(together, index, joint))
        if needed <= circumstances.minutes:
            found.append((worth / needed, needed, worth, together))
    found.sort(key=lambda item: (-item[0], item[3][-1].id))
    return tuple(
        NextCheck(checks[-1], needed, worth, rate, outlook(checks[-1], risks, joint), tuple(o.id for o in checks[:-1]))
        for rate, needed, worth, checks in found[:most]
    )


def _leans_on(option: CheckOption, possible: Sequence[CheckOption]) -> list[CheckOption]:
    """The checks to do before this one, in order: the quickest variant of each that is possible and not done."""
    found: list[CheckOption] = []
    waiting, seen = list(option.needs), {option.parent}
    while waiting:
        parent = waiting.pop(0)
        variants = [o for o in possible if o.parent == parent]
        if variants and parent not in seen:
            first = min(variants, key=lambda o: o.minutes)
            found.insert(0, first)
            waiting += first.needs
        seen.add(parent)
    return sorted(found, key=lambda o: len(o.needs))
