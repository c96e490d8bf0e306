"""What to do with the minutes left: the plan of the rest, the next best check, what each outcome would change."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from analytics.check_worth import OutcomeOutlook
from analytics.diagnosis_types import Diagnosis
from analytics.outcomes import Verdict
from analytics.plan_next import NextCheck, next_checks
from analytics.planning import plan_checks, step_of_permission
from analytics.planning_types import CheckOption, Circumstances, JointChances
from service.catalogue_types import Catalogue
from service.inspections.check_options import access_groups, check_options, component_risks, full_check, stage_of
from service.inspections.evidence import Found, Weighed, looked_at_by
from service.inspections.inspected import InspectedPart
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
    chances, joint = at_stake(weighed.diagnosis)
    options = _still_to_do(weighed, done, catalogue, set(chances))
    groups = access_groups(catalogue)
    risks = component_risks(chances, catalogue, hourly_rate)
    plan = plan_checks(options, groups, risks, now, joint)
    best = next_checks(options, groups, risks, now, joint)
    follow_up = [check for check in best if _follows(check, done, weighed)]
    return {
        "minutes": started.minutes,
        "minutes_left": now.minutes,
        "minutes_used": plan.minutes_used,
        "kit": now.kit,
        "permission": now.permission,
        "open_groups": sorted(now.open_groups),
        "currency": currency,
        "next_best": [_next(check, catalogue) for check in best[:NEXT_SHOWN]],
        "follow_up": [_next(check, catalogue) for check in follow_up[:FOLLOW_UP_SHOWN]],
        "lines": [line_text(line, n, catalogue) for n, line in enumerate(plan.lines, 1)],
        "to_repeat": _to_repeat(done, catalogue),
        "left_out": left_out_texts(plan, catalogue),
        "safety": safety_texts(plan, catalogue),
        "one_permission_more": step_text(step_of_permission(options, groups, risks, now, plan, joint), catalogue),
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


def _still_to_do(weighed: Weighed, done: Sequence[Done], catalogue: Catalogue, present: set[str]) -> list[CheckOption]:
    """Options that can still say something: what a check has judged, and what could not be judged now, is out."""
    stuck = {d.found.check for d in done if d.found.outcome is Verdict.INCONCLUSIVE}
    hot = weighed.observed.comes_with_heat
    looked_at = checks_done(
        [d.found for d in done if not (hot and d.found.engine_state == "cold")], weighed.parts, catalogue
    )
    options = check_options(catalogue, present, hot=hot, done=looked_at)
    started = any(catalogue.check_by_id[d.found.check].cold_start for d in done)
    return [
        o for o in options if o.id not in stuck and not (started and o.needs_cold_engine and o.stage != "cold_start")
    ]


def checks_done(findings: Sequence[Found], parts: Sequence[InspectedPart], catalogue: Catalogue) -> dict[str, set[str]]:
    """Full checks, done in whichever variant, with the components they have judged at every position."""
    covered: dict[str, set[tuple[str, str | None]]] = {}
    for found in findings:
        if found.outcome is Verdict.INCONCLUSIVE:
            continue
        full = full_check(found.check, catalogue)
        whole = Found(full.id, None, None, found.outcome, found.engine_state) if full.set_level else found
        covered.setdefault(full.id, set()).update(looked_at_by(whole, parts, catalogue))
    return {
        check: {c for c, _ in seen if all((p.component, p.position) in seen for p in parts if p.component == c)}
        for check, seen in covered.items()
    }


def at_stake(diagnosis: Diagnosis) -> tuple[dict[str, float], list[JointChances]]:
    """By component: the chance that at least one of its positions is bad, and the joint chances of tied ones."""
    joint: list[JointChances] = []
    named: set[str] = set()
    for known in diagnosis.joint:
        components = {component for component, _ in known.parts}
        if not components & named:  # of a component in two sets the first holds; the other goes as if independent
            joint.append(by_component(known, diagnosis))
            named |= components
    return _any_position(diagnosis, joint), joint


def _to_repeat(done: Sequence[Done], catalogue: Catalogue) -> list[dict[str, str]]:
    """Checks that could not be judged: worth repeating once what they need is there."""
    last = {entry.found.check: entry.found for entry in done}
    return [
        {"check": key, "title": title_of(key, catalogue), "why": "not judged: what it needs was not there"}
        for key, found in last.items()
        if found.outcome is Verdict.INCONCLUSIVE
    ]


def by_component(known: JointChances, diagnosis: Diagnosis) -> JointChances:
    """Joint chances of components: each bad where any of its positions is.

    A position outside the set is bad independently of it.
    """
    components = list(dict.fromkeys(component for component, _ in known.parts))
    outside = {
        c: 1
        - math.prod(1 - p.posterior for p in diagnosis.parts if p.component == c and (c, p.position) not in known.parts)
        for c in components
    }
    any_bad = np.array(
        [known.states[:, [k for k, part in enumerate(known.parts) if part[0] == c]].any(axis=1) for c in components]
    ).T
    states = np.array(list(product([False, True], repeat=len(components))), dtype=bool)
    chances = np.zeros(len(states))
    for state, chance in zip(any_bad, known.chances, strict=True):
        weight = np.full(len(states), chance)
        for column, component in enumerate(components):
            bad = 1.0 if state[column] else outside[component]
            weight = weight * np.where(states[:, column], bad, 1 - bad)
        chances += weight
    return JointChances(tuple((c, None) for c in components), states, chances / chances.sum())


def _any_position(diagnosis: Diagnosis, joint: Sequence[JointChances]) -> dict[str, float]:
    """By component: the chance that at least one of its positions is bad."""
    good: dict[str, float] = {}
    for part in diagnosis.parts:
        good[part.component] = good.get(part.component, 1.0) * (1.0 - part.posterior)
    chances = {slug: 1.0 - all_good for slug, all_good in good.items()}
    for known in joint:
        marginals = zip(known.parts, known.marginals, strict=True)
        chances |= {part[0]: float(chance) for part, chance in marginals}
    return chances


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


def _next(check: NextCheck, catalogue: Catalogue) -> dict[str, Any]:
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
        "would_change": [_outcome(outlook) for outlook in check.outcomes],
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
