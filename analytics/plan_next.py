"""What to do next? The checks that are possible now, best worth per minute first, and what each would change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.access import way_in
from analytics.check_worth import OutcomeOutlook, outlook, risks_by_part
from analytics.plan_choice import open_already
from analytics.planning import refusal, worths_alone
from analytics.planning_types import AccessGroup, CheckOption, Circumstances, ComponentRisk, JointChances


@dataclass(frozen=True)
class NextCheck:
    """A check that could be done now.

    `minutes` hold the access it would need, `worth` is what it alone avoids, `outcomes` what fail, marginal and
    pass would change.
    """

    check: CheckOption
    minutes: float
    worth: float
    worth_per_minute: float
    outcomes: tuple[OutcomeOutlook, ...]


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
    alone = worths_alone(options, risks_by_part(risks), joint)
    found = []
    for option in options:
        ways = way_in({option.access_group} - already, by_group, minutes)
        needed = option.minutes + sum(minutes[g] for g in set(ways.values()))
        if refusal(option, circumstances) is None and needed <= circumstances.minutes:
            found.append((alone[option.id] / needed, needed, option))
    found.sort(key=lambda item: (-item[0], item[2].id))
    return tuple(
        NextCheck(option, needed, alone[option.id], rate, outlook(option, risks, joint))
        for rate, needed, option in found[:most]
    )
