"""In what order? What is true only once comes first.

The engine is cold once and the key is off once: before the key, then with the key on, then what needs a cold
engine that has not been started, the cold start itself, engine off, running, hot. An identity check whose fail
ends the visit goes before all. Inside a stage the checks behind one cover stand together, best worth per minute
first. Where the minutes do not hold every safety check, safety checks go first instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analytics.check_worth import PartWorth, worth_of
from analytics.part_groups import Part
from analytics.planning_types import STAGES, AccessGroup, CheckOption, ComponentRisk, PlanLine

STAGE_REASONS = {
    "before_key": "before the key goes on",
    "key_on": "key on, engine not started",
    "cold_start": "there is only one cold start",
    "engine_off": "",
    "running": "engine running",
    "hot": "faults that come with heat",
}


def lines_in_order(
    chosen: Sequence[CheckOption],
    ways: Mapping[str, str],
    groups: Mapping[str, AccessGroup],
    alone: Mapping[str, float],
    worths: Sequence[PartWorth],
    risks: Mapping[Part, ComponentRisk],
    *,
    safety_first: bool,
) -> tuple[PlanLine, ...]:
    """Order the chosen options and lay access minutes on the first line that needs them.

    Parameters
    ----------
    chosen : sequence of CheckOption
    ways : mapping from access group to the group opened for it
        Groups that lie open already are missing.
    groups : mapping of AccessGroup by id
    alone : mapping from option id to its worth alone
    worths : sequence of PartWorth
    risks : mapping from (component, position) to ComponentRisk
    safety_first : bool
        True where the minutes do not hold every safety check.
    """
    paid = {o.id: ways.get(o.access_group) for o in chosen}
    lines: list[PlanLine] = []
    done: list[str] = []
    before = 0.0
    for option in _ordered(chosen, paid, alone, safety_first=safety_first):
        access = 0.0
        group = paid[option.id]
        if group is not None and not any(paid[i] == group for i in done):
            access = groups[group].minutes
        done.append(option.id)
        together = worth_of(done, worths)
        worth = alone[option.id]
        lines.append(
            PlanLine(
                check=option,
                minutes=option.minutes,
                access_minutes=access,
                worth=worth,
                worth_per_minute=worth / option.minutes,
                added_worth=max(0.0, together - before),
                reasons=_reasons(option),
                most_at_stake=_most_at_stake(option, risks),
                targets=option.targets,
            )
        )
        before = together
    return tuple(lines)


def _ordered(
    chosen: Sequence[CheckOption], paid: Mapping[str, str | None], alone: Mapping[str, float], *, safety_first: bool
) -> list[CheckOption]:
    ordered: list[CheckOption] = []
    for block in sorted({_block(o, safety_first=safety_first) for o in chosen}):
        inside = [o for o in chosen if _block(o, safety_first=safety_first) == block]
        opened = {None} | {paid[o.id] for o in ordered}
        ordered += _with_prerequisites(_by_group_and_rate(inside, opened, paid, alone))
    return ordered


def _by_group_and_rate(
    inside: Sequence[CheckOption], opened: set[str | None], paid: Mapping[str, str | None], alone: Mapping[str, float]
) -> list[CheckOption]:
    """What lies open already, then cover by cover, the best worth per minute first in each."""
    rate = _group_rates(inside, paid, alone)

    def key(o: CheckOption) -> tuple[bool, float, str, float, str]:
        group = paid[o.id]
        if group in opened:
            return False, 0.0, "", -alone[o.id] / o.minutes, o.id
        return True, -rate[group], group or "", -alone[o.id] / o.minutes, o.id

    return sorted(inside, key=key)


def _block(option: CheckOption, *, safety_first: bool) -> tuple[bool, bool, int, bool]:
    """Sort key of the coarse order; what needs a cold engine precedes the start that warms it."""
    stage = STAGES.index(option.stage)
    before_start = option.needs_cold_engine and stage > STAGES.index("cold_start")
    if before_start:
        stage = STAGES.index("cold_start")
    late = safety_first and not option.safety_class_a
    return late, not option.ends_visit, stage, not before_start


def _group_rates(
    inside: Sequence[CheckOption], paid: Mapping[str, str | None], alone: Mapping[str, float]
) -> dict[str | None, float]:
    """Worth per minute of the checks behind one cover."""
    rates = {}
    for group in {paid[o.id] for o in inside}:
        members = [o for o in inside if paid[o.id] == group]
        rates[group] = sum(alone[o.id] for o in members) / sum(o.minutes for o in members)
    return rates


def _with_prerequisites(ordered: Sequence[CheckOption]) -> list[CheckOption]:
    """Keep the order, but move a check behind the ones it names in `after`; a circle of names is ignored."""
    waiting, placed = list(ordered), []
    while waiting:
        parents = {o.parent for o in waiting}
        free = next((o for o in waiting if not (set(o.after) - {o.parent}) & parents), waiting[0])
        waiting.remove(free)
        placed.append(free)
    return placed


def _reasons(option: CheckOption) -> tuple[str, ...]:
    """Why this line stands here, in words: the stage, safety."""
    words = ["a fail ends the visit"] if option.ends_visit else []
    stage = "cold engine only" if option.needs_cold_engine else STAGE_REASONS[option.stage]
    if stage:
        words.append(stage)
    if option.safety_class_a:
        words.append("safety, always in")
    return tuple(words)


def _most_at_stake(option: CheckOption, risks: Mapping[Part, ComponentRisk]) -> ComponentRisk | None:
    """The part a line is there for before all."""
    at_stake = [risks[t.part] for t in option.targets if t.part in risks]
    return max(at_stake, key=lambda r: r.chance_bad_now * r.loss_if_missed, default=None)
