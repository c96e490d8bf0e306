"""Words beside a plan: cautions, limits with their sources, what was left out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from analytics.planning_types import LeftOut, Plan
from service.catalogue_types import Catalogue
from service.check_types import Limit, QuickVariant


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
    return f"{catalogue.check_by_id[entry.parent].title}: quick look"


def limit_texts(check: str, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Limits of a check that can be used without the model's own figure, each with where it comes from."""
    return [
        {
            "quantity": limit.quantity,
            "unit": limit.unit,
            "text": limit_text(limit),
            "class_default": limit.class_default,
            "region": limit.region,
            "sources": [
                {"id": key, "what": catalogue.source_by_id[key].what}
                for key in limit.sources
                if key in catalogue.source_by_id
            ],
            "mark": limit.mark,
        }
        for limit in catalogue.limits
        if limit.check == check and (limit.class_default or limit.region)
    ]


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
        text += "; class default, look up the model's own figure"
    return text


def _span(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}"
    if low is not None:
        return f"from {low:g} {unit}"
    return f"up to {high:g} {unit}" if high is not None else ""


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


def safety_texts(plan: Plan, catalogue: Catalogue) -> dict[str, Any]:
    """Safety class A: which checks could not be fitted in, and which parts no line of this plan looks at."""
    return {
        "checks_not_in_plan": [_left_out(entry, catalogue) for entry in plan.unmet_safety],
        "parts_no_line_looks_at": [
            {"component": component, "name": catalogue.component_by_slug[component].name}
            for component, _ in plan.safety_not_covered
        ],
    }
