"""What to do with the minutes left: the plan of the rest, the next best check, what each outcome would change."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.check_worth import OutcomeOutlook
from analytics.outcomes import Verdict
from analytics.plan_next import NextCheck, next_checks
from analytics.planning import plan_and_step
from analytics.planning_types import Circumstances
from service.catalogue_types import Catalogue
from service.inspections.check_options import access_groups, full_check, stage_of
from service.inspections.choices import Choices, choices_for
from service.inspections.evidence import Found, Weighed
from service.inspections.part_marks import WHILE_KEPT, reads_mark
from service.inspections.plan_texts import (
    check_text,
    left_out_texts,
    line_text,
    mark_of,
    safety_texts,
    step_text,
    title_of,
)

NEXT_SHOWN = 3
FOLLOW_UP_SHOWN = 5
KEY_ON = ("key_on", "cold_start", "running", "hot")


@dataclass(frozen=True)
class Done:
    """A finding with what it cost: minutes are those noted, else the catalogue's."""

    found: Found
    minutes_spent: float | None


def replan(
    weighed: Weighed,
    done: Sequence[Done],
    started: Circumstances,
    catalogue: Catalogue,
    hourly_rate: float,
    currency: str,
) -> dict[str, Any]:
    """The plan of the rest after the findings so far, as JSON; cautions stand before steps in every line."""
    now = circumstances_now(done, started, catalogue)
    stuck = {entry.found.check for entry in done if entry.found.outcome is Verdict.INCONCLUSIVE}
    left = choices_for(weighed, catalogue, hourly_rate, not_again=stuck)
    plan, step = plan_and_step(left.options, left.groups, left.risks, now, left.joint)
    best = next_checks(left.options, left.groups, left.risks, now, left.joint)
    follow_up = _one_variant([check for check in best if _follows(check, done, weighed)])
    return {
        "minutes": started.minutes,
        "minutes_left": now.minutes,
        "minutes_used": plan.minutes_used,
        "kit": now.kit,
        "permission": now.permission,
        "open_groups": sorted(now.open_groups),
        "currency": currency,
        "next_best": [_next(check, left, catalogue) for check in best[:NEXT_SHOWN]],
        "follow_up": [_next(check, left, catalogue) for check in follow_up[:FOLLOW_UP_SHOWN]],
        "lines": [line_text(line, n, catalogue) for n, line in enumerate(plan.lines, 1)],
        "to_repeat": _to_repeat(done, catalogue),
        "left_out": left_out_texts(plan, catalogue),
        "safety": safety_texts(plan, catalogue, left.looked_at),
        "one_permission_more": step_text(step, catalogue),
    }


def circumstances_now(done: Sequence[Done], started: Circumstances, catalogue: Catalogue) -> Circumstances:
    """Minutes left, what lies open, key and engine, after the findings so far.

    One option done on several parts is one visit to it: its minutes count once unless they were noted.
    """
    open_groups: set[str] = set(started.open_groups)
    spent, counted = 0.0, set()
    minutes_of = {group.id: group.minutes for group in access_groups(catalogue)}
    cold, key = started.engine_cold, started.key_has_been_on
    for entry in done:
        option = catalogue.check_by_id[entry.found.check]
        if option.access_group not in open_groups:
            open_groups.add(option.access_group)
            spent += minutes_of[option.access_group] if entry.minutes_spent is None else 0.0
        if entry.minutes_spent is not None:
            spent += entry.minutes_spent
        elif option.id not in counted:
            spent += option.minutes
        counted.add(option.id)
        stage = stage_of(option, full_check(option.id, catalogue))
        key = key or stage in KEY_ON
        cold = cold and stage not in ("running", "hot")
    return replace(
        started,
        minutes=max(started.minutes - spent, 0.0),
        engine_cold=cold,
        key_has_been_on=key,
        open_groups=frozenset(open_groups),
    )


def _to_repeat(done: Sequence[Done], catalogue: Catalogue) -> list[dict[str, str]]:
    """Checks that could not be judged: worth repeating once what they need is there."""
    last = {entry.found.check: entry.found for entry in done}
    return [
        {"check": key, "title": title_of(key, catalogue), "why": "not judged: what it needs was not there"}
        for key, found in last.items()
        if found.outcome is Verdict.INCONCLUSIVE
    ]


def _one_variant(checks: Sequence[NextCheck]) -> list[NextCheck]:
    """By what each would tell, the most first, of each check the variant that tells most.

    By worth, not by worth a minute: after a finding the question is what would settle it.
    """
    found: dict[str, NextCheck] = {}
    for check in sorted(checks, key=lambda c: (-c.worth, c.minutes)):
        found.setdefault(check.check.parent, check)
    return list(found.values())


def _follows(check: NextCheck, done: Sequence[Done], weighed: Weighed) -> bool:
    """True for a check of a part that the latest finding has made likelier bad."""
    if not done:
        return False
    last = done[-1].found.check
    raised = {
        part.component
        for part in weighed.diagnosis.parts
        if any(move.evidence == last and move.log_odds > 0 and not move.through_set for move in part.moves)
    }
    return bool(raised & {target.component for target in check.check.targets})


def _next(check: NextCheck, left: Choices, catalogue: Catalogue) -> dict[str, Any]:
    """A check that could be done now, with what each outcome would change."""
    group = catalogue.access_group_by_code[check.check.access_group]
    return {
        "check": check.check.id,
        "title": title_of(check.check.id, catalogue),
        "minutes": check.minutes,
        "access": {"group": group.code, "what": group.what},
        "worth": round(check.worth, 2),
        "worth_per_minute": round(check.worth_per_minute, 2),
        **check_text(check.check.id, catalogue),
        "first": [{"check": key, "title": title_of(key, catalogue)} for key in check.first],
        "would_change": _numbers(check, left)
        if reads_mark(check.check)
        else [_outcome(outlook) for outlook in check.outcomes],
        "components": [target.component for target in check.check.targets],
        "mark": mark_of(check.check.id, catalogue),
    }


def _outcome(outlook: OutcomeOutlook) -> dict[str, Any]:
    return {
        "outcome": outlook.verdict.value,
        "chance": None if math.isnan(outlook.chance) else outlook.chance,
        "parts": [
            {"component": part.component, "chance_bad_now": part.chance_bad, "worth_acting_on": part.act}
            for part in outlook.parts
        ],
    }


def _numbers(check: NextCheck, left: Choices) -> list[dict[str, Any]]:
    """What each number on a part would say: of how it is now, of its coming season, and whether to renew it."""
    risks = {risk.component: risk for risk in left.risks if risk.position == WHILE_KEPT}
    return [
        {
            "outcome": mark,
            "chance": marked.weight,
            "parts": [
                {
                    "component": slug,
                    "chance_bad_now": marked.bad_now.value,
                    "chance_in_season": marked.in_season.value,
                    "chance_while_kept": marked.while_kept,
                    "worth_acting_on": marked.while_kept * risks[slug].loss_if_missed > risks[slug].cost_to_act,
                }
            ],
        }
        for slug in dict.fromkeys(target.component for target in check.check.targets)
        for mark, marked in left.marks[slug].items()
    ]


def circumstances_of(kept: Mapping[str, Any]) -> Circumstances:
    """Circumstances as an inspection keeps them."""
    return Circumstances(
        minutes=kept["minutes"],
        kit=kept["kit"],
        permission=kept["permission"],
        engine_cold=kept["engine_cold"],
        key_has_been_on=kept["key_has_been_on"],
        engine_runs=kept["engine_runs"],
    )
