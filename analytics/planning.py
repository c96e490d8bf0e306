"""Which checks make the best use of the minutes? The exact optimum, in the order to do them.

Chosen are the options with the greatest worth together (`check_worth`), inside the minutes, each access group's
minutes counted once, at most one variant of a check, nothing beyond the kit or the permission. Safety class A
checks come before any worth: as many of them as the minutes allow, in whichever variant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analytics.access import way_in
from analytics.check_worth import PartWorth, part_worths, risks_by_part, worth_of
from analytics.part_groups import Part
from analytics.plan_choice import choose, open_already
from analytics.plan_left_out import NO_GAIN, left_out, unmet_safety, without
from analytics.plan_order import lines_in_order
from analytics.planning_types import (
    KITS,
    PERMISSIONS,
    AccessGroup,
    CheckOption,
    Circumstances,
    ComponentRisk,
    InvalidPlanInput,
    JointChances,
    Plan,
)


@dataclass(frozen=True)
class PermissionStep:
    """What one step more permission would add: to ask the seller for."""

    permission: str
    added_worth: float
    checks: tuple[str, ...]


def plan_checks(
    options: Sequence[CheckOption],
    groups: Sequence[AccessGroup],
    risks: Sequence[ComponentRisk],
    circumstances: Circumstances,
    joint: Sequence[JointChances] = (),
    alone: Mapping[str, float] | None = None,
) -> Plan:
    """The most valuable plan for these minutes.

    Parameters
    ----------
    options : sequence of CheckOption
        Checks and quick variants still to do; leave out those done, with their findings already in `risks`.
    groups : sequence of AccessGroup
        Every group the options name.
    risks : sequence of ComponentRisk
        One for each part at stake. A target without one has no worth, but a safety check of it stays in.
    circumstances : Circumstances
    joint : sequence of JointChances
        Of parts a diagnosis has tied (`Diagnosis.joint`).
    alone : mapping from option id to its worth alone, optional
        Where it is known already: it is the same whatever the circumstances.

    Returns
    -------
    Plan

    Raises
    ------
    InvalidPlanInput
        If an id is given twice or an access group or risk is missing or doubled.
    """
    asked = _Asked.of(options, groups, risks, joint, alone)
    return _plan(asked, circumstances, _choice(asked, circumstances))


def plan_and_step(
    options: Sequence[CheckOption],
    groups: Sequence[AccessGroup],
    risks: Sequence[ComponentRisk],
    circumstances: Circumstances,
    joint: Sequence[JointChances] = (),
    alone: Mapping[str, float] | None = None,
) -> tuple[Plan, PermissionStep | None]:
    """The plan of `plan_checks`, and what the next permission up would add; None at the top of the ladder.

    Checks are the ones in the new plan that were not in the old. Beside worth, the new plan may hold safety
    checks that were out of reach.
    """
    asked = _Asked.of(options, groups, risks, joint, alone)
    rank = PERMISSIONS.index(circumstances.permission)
    if rank + 1 == len(PERMISSIONS):
        return _plan(asked, circumstances, _choice(asked, circumstances)), None
    more = replace(circumstances, permission=PERMISSIONS[rank + 1])
    best = _choice(asked, more)
    wider = _plan(asked, more, best)
    plan = _plan(asked, circumstances, _without_permission(asked, best, circumstances) or _choice(asked, circumstances))
    before = {line.check.id for line in plan.lines}
    new = tuple(line.check.id for line in wider.lines if line.check.id not in before)
    return plan, PermissionStep(more.permission, wider.worth - plan.worth, new)


@dataclass(frozen=True)
class _Asked:
    """What a plan is made from, whatever the circumstances."""

    options: Sequence[CheckOption]
    by_group: Mapping[str, AccessGroup]
    risks: Sequence[ComponentRisk]
    index: Mapping[Part, ComponentRisk]
    joint: Sequence[JointChances]
    alone: Mapping[str, float]

    @classmethod
    def of(
        cls,
        options: Sequence[CheckOption],
        groups: Sequence[AccessGroup],
        risks: Sequence[ComponentRisk],
        joint: Sequence[JointChances],
        alone: Mapping[str, float] | None,
    ) -> _Asked:
        by_group, index = _check_names(options, groups), risks_by_part(risks)
        return cls(options, by_group, risks, index, joint, alone or worths_alone(options, index, joint))


@dataclass(frozen=True)
class _Choice:
    """The options that circumstances allow, what they are worth, and which of them to take."""

    possible: Sequence[CheckOption]
    worths: Sequence[PartWorth]
    chosen: list[CheckOption]


def _choice(asked: _Asked, circumstances: Circumstances) -> _Choice:
    possible = [o for o in asked.options if refusal(o, circumstances) is None]
    worths = part_worths(possible, asked.index, asked.joint)
    return _Choice(possible, worths, choose(possible, asked.by_group, worths, circumstances))


def _without_permission(asked: _Asked, best: _Choice, circumstances: Circumstances) -> _Choice | None:
    """The best choice with more permission where it uses none of it: then it is the best without, too.

    None where that is not so, or could not be told: where less permission frees an option of what it leans on, or
    where options are valued otherwise among fewer of them (`check_worth` cuts large sets short).
    """
    possible = [o for o in best.possible if refusal(o, circumstances) is None]
    ids, reach = {o.id for o in best.chosen}, {o.parent for o in possible}
    freed = {parent for o in possible for parent in o.needs} & {o.parent for o in best.possible} - reach
    if freed or not ids <= {o.id for o in possible} or any(worth.cut_short for worth in best.worths):
        return None
    worths = part_worths(possible, asked.index, asked.joint)
    total = worth_of(ids, worths)
    same = abs(total - worth_of(ids, best.worths)) <= NO_GAIN * total
    return _Choice(possible, worths, best.chosen) if same else None


def _plan(asked: _Asked, circumstances: Circumstances, choice: _Choice) -> Plan:
    options, by_group, alone, worths = asked.options, asked.by_group, asked.alone, choice.worths
    refused = {o.id: r for o in options if (r := refusal(o, circumstances)) is not None}
    chosen = _drop_idle(choice.chosen, worths)
    ways = _ways(chosen, by_group, circumstances)
    spare = (
        circumstances.minutes - sum(o.minutes for o in chosen) - sum(by_group[g].minutes for g in set(ways.values()))
    )
    chosen = _fuller_safety(chosen, choice.possible, worths, spare)
    unmet = unmet_safety(options, chosen, refused, alone)
    short = any(u.code == "no_time" for u in unmet)
    lines = lines_in_order(chosen, ways, by_group, alone, worths, asked.index, safety_first=short)
    lines = tuple(replace(line, without=without(line.check, options, chosen, refused)) for line in lines)
    seen = {t.part for line in lines for t in line.targets}
    return Plan(
        lines=lines,
        minutes_used=sum(line.minutes + line.access_minutes for line in lines),
        worth=worth_of([o.id for o in chosen], worths),
        left_out=left_out(options, chosen, refused, worths, alone),
        unmet_safety=unmet,
        safety_not_covered=tuple(r.part for r in asked.risks if r.safety_class == "A" and r.part not in seen),
    )


def refusal(option: CheckOption, circumstances: Circumstances) -> tuple[str, str] | None:
    """(code, reason in words) why the circumstances rule an option out; None if they do not."""
    if option.void is not None:
        return "void", option.void
    if PERMISSIONS.index(option.permission) > PERMISSIONS.index(circumstances.permission):
        return "permission", f"needs permission: {option.permission.replace('_', ' ')}"
    if KITS.index(option.kit) > KITS.index(circumstances.kit):
        return "kit", f"needs the {option.kit} kit"
    if option.cold and not circumstances.engine_cold:
        return "engine_warm", "the engine is warm: ask for a cold start another day"
    if option.stage == "before_key" and circumstances.key_has_been_on:
        return "key_on", "only true before the key has been on"
    if option.stage in ("running", "hot") and not circumstances.engine_runs:
        return "will_not_run", "needs a running engine"
    return None


def _check_names(options: Sequence[CheckOption], groups: Sequence[AccessGroup]) -> dict[str, AccessGroup]:
    by_group = {g.id: g for g in groups}
    if len(by_group) < len(groups):
        raise InvalidPlanInput("an access group is given twice; give each id once")
    ids = [o.id for o in options]
    if len(set(ids)) < len(ids):
        double = next(i for i in ids if ids.count(i) > 1)
        raise InvalidPlanInput(f"check {double} is given twice; give each id once")
    for option in options:
        if option.access_group not in by_group:
            raise InvalidPlanInput(f"check {option.id}: access group '{option.access_group}' is not among the groups")
    for group in groups:
        for inner in group.includes:
            if inner not in by_group:
                raise InvalidPlanInput(f"access group {group.id}: includes '{inner}', which is not among the groups")
    return by_group


def _ways(
    chosen: Sequence[CheckOption], groups: Mapping[str, AccessGroup], circumstances: Circumstances
) -> dict[str, str]:
    """Group to open for each access group the chosen need; those that lie open already are missing."""
    wanted = {o.access_group for o in chosen} - open_already(circumstances, groups)
    return way_in(wanted, groups, {g.id: g.minutes for g in groups.values()})


def _drop_idle(chosen: list[CheckOption], worths: Sequence[PartWorth]) -> list[CheckOption]:
    """Leave out what adds nothing: the optimum may hold such lines where minutes are left over.

    What a line leans on stays with it.
    """
    kept = list(chosen)
    for option in sorted(chosen, key=lambda o: (-len(o.needs), -o.minutes)):
        if option.safety_class_a or any(option.parent in other.needs for other in kept):
            continue
        ids = [o.id for o in kept]
        total = worth_of(ids, worths)
        if total - worth_of([i for i in ids if i != option.id], worths) <= NO_GAIN * total:
            kept.remove(option)
    return kept


def _fuller_safety(
    chosen: list[CheckOption],
    possible: Sequence[CheckOption],
    worths: Sequence[PartWorth],
    spare: float,
) -> list[CheckOption]:
    """Take the longer variant of a safety check where minutes are left over and no worth is lost by it."""
    result = list(chosen)
    for option in sorted(possible, key=lambda o: -o.minutes):
        quick = next((c for c in result if c.parent == option.parent and c.safety_class_a), None)
        if (
            option.needs
            or quick is None
            or option.access_group != quick.access_group
            or option.minutes <= quick.minutes
        ):
            continue
        swapped = [option if c is quick else c for c in result]
        loses = worth_of([o.id for o in swapped], worths) < (1 - NO_GAIN) * worth_of([o.id for o in result], worths)
        if option.minutes - quick.minutes <= spare and not loses and option.safety_class_a:
            spare -= option.minutes - quick.minutes
            result = swapped
    return result


def worths_alone(
    options: Sequence[CheckOption], index: Mapping[Part, ComponentRisk], joint: Sequence[JointChances] = ()
) -> dict[str, float]:
    """What each option by itself would avoid."""
    single = part_worths(options, index, joint, most=1)
    return {o.id: worth_of([o.id], single) for o in options}
