"""Words beside a plan: cautions, limits with their sources, what was left out."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from analytics.judging import CLASS_DEFAULT
from analytics.planning import PermissionStep
from analytics.planning_types import ComponentRisk, LeftOut, Plan, PlanLine
from service.catalogue_types import Catalogue, Source
from service.check_types import Limit, QuickVariant
from service.inspections.check_options import full_check
from service.said import Number, Part, Place, Share, joined, say

PRIOR_MARK = "times, accuracies and worth: invented prior, not data"
LEARNT = "learnt from"  # how the mark of a target begins that strip-downs have taught
IN_BRACKETS = re.compile(r"\[([^\]]+)\]")


def mark_of(key: str, catalogue: Catalogue) -> str:
    """What of a check is invented and what was learnt from strip-downs."""
    taught = dict.fromkeys(t.mark for t in catalogue.check_by_id[key].targets if t.mark.startswith(LEARNT))
    return f"times and worth: invented prior, not data; accuracy {'; '.join(taught)}" if taught else PRIOR_MARK


def caution_texts(ids: Iterable[str], catalogue: Catalogue) -> list[dict[str, str]]:
    """Cautions in full, in the order the check names them."""
    return [
        {"id": caution.id, "title": caution.title, "text": caution.text}
        for caution in (catalogue.caution_by_id[key] for key in ids)
    ]


def title_of(check: str, catalogue: Catalogue) -> str:
    """A check's name; a quick variant is named after the check it shortens."""
    entry = catalogue.check_by_id[check]
    if not isinstance(entry, QuickVariant):
        return entry.title
    return say("%(check)s: quick look", check=say(catalogue.check_by_id[entry.parent].title))


def check_text(key: str, catalogue: Catalogue) -> dict[str, Any]:
    """How a check is done and judged: cautions stand before what to have ready, and that before the steps."""
    entry = catalogue.check_by_id[key]
    full = full_check(key, catalogue)
    quick = isinstance(entry, QuickVariant)
    return {
        "cautions": caution_texts(entry.cautions, catalogue),
        # The full check's conditions (a lift, a tester) are what a quick look does without.
        "before": [] if quick else list(full.before),
        "steps": [_sentence(entry.title)] if quick else list(full.steps),
        "expected": full.expected,
        "judging": full.judging,
        "limits": limit_texts(full.id, catalogue),
        "trap": full.trap,
        "a_pass_does_not_clear_it": full.weak_pass or quick,
    }


def line_text(line: PlanLine, order: int, catalogue: Catalogue) -> dict[str, Any]:
    """One line of a plan."""
    group = catalogue.access_group_by_code[line.check.access_group]
    return {
        "order": order,
        "check": line.check.id,
        "title": title_of(line.check.id, catalogue),
        "full_check": full_check(line.check.id, catalogue).title,
        "quick_variant": line.check.id != line.check.parent,
        "minutes": line.minutes,
        "access": {"group": group.code, "what": group.what, "minutes": line.access_minutes},
        "stage": line.check.stage,
        "why": _why(line),
        "worth": round(line.worth, 2),
        "worth_per_minute": round(line.worth_per_minute, 2),
        **check_text(line.check.id, catalogue),
        "components": [target.component for target in line.targets],
        "mark": mark_of(line.check.id, catalogue),
    }


def _why(line: PlanLine) -> str:
    """Why it stands here, and what it leans on that cannot be looked at today."""
    leans = (
        say("%(check)s, which it leans on, is not in: %(why)s", check=parent, why=say(why))
        for parent, why in line.without
    )
    return joined(*(say(reason) for reason in line.reasons), _at_stake(line.most_at_stake), *leans, by="; ")


def _at_stake(risk: ComponentRisk | None) -> str:
    """The part a line is there for, and its chance."""
    if risk is None:
        return ""
    part = Part(risk.component, risk.component.replace("_", " "))
    chance: Any = Share(risk.chance_bad_now)
    if 0 < risk.chance_bad_now < 0.01:
        chance = say("below %(share)s", share=Share(0.01))
    if risk.within_years is not None:
        years = Number(risk.within_years)
        return say("%(part)s fails within %(years)s years: %(chance)s", part=part, years=years, chance=chance)
    if risk.position:
        place = Place(risk.position)
        return say("%(part)s (%(place)s) bad now: %(chance)s", part=part, place=place, chance=chance)
    return say("%(part)s bad now: %(chance)s", part=part, chance=chance)


def step_text(step: PermissionStep | None, catalogue: Catalogue) -> dict[str, Any] | None:
    """What one step more leave would add."""
    if step is None or not step.checks:
        return None
    return {
        "permission": step.permission,
        "added_worth": round(step.added_worth, 2),
        "checks": [{"check": check, "title": title_of(check, catalogue)} for check in step.checks],
    }


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def limit_texts(check: str, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Limits of a check that can be used without the model's own figure, each with where it comes from."""
    return [
        {
            "id": limit.id,
            "quantity": limit.quantity,
            "unit": limit.unit,
            "text": limit_text(limit),
            "class_default": limit.class_default,
            "region": limit.region,
            "as_of": limit.as_of,
            "sources": [
                {"id": key, "what": catalogue.source_by_id[key].what}
                for key in limit.sources
                if key in catalogue.source_by_id
            ],
            "mark": limit.mark,
        }
        for limit in catalogue.limits
        if limit.check == check and limit.scope != "published example"
    ]


def sources_named(line: Mapping[str, Any], catalogue: Catalogue) -> list[Source]:
    """The sources that the texts of a check give by their codes in brackets, in the order they come."""
    texts = " ".join((*line["steps"], line["expected"], line["judging"], line["trap"]))
    codes = (code.strip() for bracket in IN_BRACKETS.findall(texts) for code in re.split("[,;]", bracket))
    return [catalogue.source_by_id[code] for code in dict.fromkeys(codes) if code in catalogue.source_by_id]


def where_from(limit: Mapping[str, Any]) -> str:
    """Source, date and region of a limit as a line shows it."""
    sources = ", ".join(source["id"] for source in limit["sources"] if source["id"]) or limit["mark"] or "no source"
    dated = f"as of {limit['as_of']}" if limit["as_of"] else "undated"
    return "; ".join([sources, dated, *([limit["region"]] if limit["region"] else [])])


def limit_text(limit: Limit) -> str:
    """One limit as a person says it."""
    good = _span(limit.pass_low, limit.pass_high, limit.unit)
    fair = _span(limit.marginal_low, limit.marginal_high, limit.unit)
    text = f"{limit.quantity}: pass {good}" if good else limit.quantity
    if fair and fair != good:
        text += f", marginal {fair}"
    if limit.condition:
        text += f" ({limit.condition})"
    if limit.class_default:
        text += f"; {CLASS_DEFAULT}"
    return text


def _span(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"
    if low is not None:
        return f"from {low:g} {unit}"
    if high is None:
        return ""
    return f"up to {high:g} {unit}" if high else "none at all"


def left_out_texts(plan: Plan, catalogue: Catalogue) -> list[dict[str, Any]]:
    """What is not in the plan and why; a variant of a check that is in stands with it and is not repeated."""
    return [_left_out(entry, catalogue) for entry in plan.left_out if entry.code != "variant_chosen"]


def _left_out(entry: LeftOut, catalogue: Catalogue) -> dict[str, Any]:
    return {
        "check": entry.check.id,
        "title": title_of(entry.check.id, catalogue),
        "code": entry.code,
        "reason": entry.reason,
        "worth": round(entry.worth, 2),
    }


def safety_texts(plan: Plan, catalogue: Catalogue, looked_at: Collection[str] = ()) -> dict[str, Any]:
    """Safety class A: which checks could not be fitted in, and which parts no line of this plan looks at.

    `looked_at` are components that were judged before.
    """
    return {
        "checks_not_in_plan": [_left_out(entry, catalogue) for entry in plan.unmet_safety],
        "parts_no_line_looks_at": [
            {"component": component, "name": catalogue.component_by_slug[component].name}
            for component, _ in plan.safety_not_covered
            if component not in looked_at
        ],
    }
