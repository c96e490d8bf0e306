"""Judge a measurement alone, and show what checks, limits, symptoms and facts there are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy.orm import Session

from service.catalogue_types import Catalogue
from service.check_types import Check, QuickVariant
from service.errors import NotFound
from service.inspections.check_options import full_check
from service.inspections.limits_on_file import for_judging, known_region, limits_for, quantities_of
from service.inspections.measured import Yard, judged_reply, measure
from service.inspections.plan_texts import caution_texts, check_text, mark_of, title_of
from service.inspections.readings import limit_reply
from service.inspections.serving import find_cell, snapshot_for


def judge_alone(session: Session, shop_id: int, asked: Mapping[str, Any], *, pool_open: bool) -> dict[str, Any]:
    """Judge a checked `JudgeAsked`."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    machine = asked["machine"]
    cell = None if machine is None else find_cell(session, machine["make"], machine["model"], machine["family"])[0]
    year = None if machine is None else machine["model_year"]
    region = asked["region"]
    catalogue = limits_for(session, shop_id, snapshot.catalogue, cell, model_year=year, region=region)
    known_region(region, catalogue, "/region")
    return judged_reply(measure(asked, Yard(catalogue, region=region)), catalogue)


def check_reply(key: str, catalogue: Catalogue) -> dict[str, Any]:
    """One check or quick variant in full: cautions, then what to have ready, then the steps.

    Raises
    ------
    NotFound
        If the catalogue has no such check.
    """
    if key not in catalogue.check_by_id:
        raise NotFound("there is no such check")
    entry, full = catalogue.check_by_id[key], full_check(key, catalogue)
    quick = isinstance(entry, QuickVariant)
    return {
        **check_listed(entry, catalogue),
        **check_text(key, catalogue),
        "tools": [] if quick else list(full.tools),
        "quantities": [] if quick else quantities_of(full.id, None, catalogue),
        "targets": [*(_target(target) for target in entry.targets), *_outside(key, catalogue)],
        "mark": mark_of(key, catalogue),
    }


def _target(target: Any) -> dict[str, Any]:
    ratios = target.likelihood_ratios
    return {
        "component": target.component,
        "engine_state": target.when,
        "outside_the_set": False,
        "likelihood_ratios": {"fail": ratios.fail, "marginal": ratios.marginal, "pass": ratios.pass_},
        "a_pass_does_not_clear_it": target.weak_pass or ratios.pass_ > 1 / 3,
        "mark": target.mark,
    }


def _outside(key: str, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Parts outside a check's set that fail it now and then: a bad battery pulls the charging voltage down."""
    found = []
    for also in catalogue.rules.set_level_also:
        if also.check == key:
            good = full_check(key, catalogue).targets[0].given_good
            rest = (1 - also.given_bad_fail) / (1 - good.fail)
            found.append(
                {
                    "component": also.component,
                    "engine_state": None,
                    "outside_the_set": True,
                    "likelihood_ratios": {"fail": also.given_bad_fail / good.fail, "marginal": rest, "pass": rest},
                    "a_pass_does_not_clear_it": True,
                    "mark": catalogue.rules.mark,
                }
            )
    return found


def check_listed(entry: Check | QuickVariant, catalogue: Catalogue) -> dict[str, Any]:
    """A check in the list."""
    group = catalogue.access_group_by_code[entry.access_group]
    return {
        "id": entry.id,
        "title": title_of(entry.id, catalogue),
        "quick_variant_of": entry.parent if isinstance(entry, QuickVariant) else None,
        "minutes": entry.minutes,
        "access": {"group": group.code, "what": group.what, "minutes": group.hours * 60},
        "kit": entry.kit,
        "permission": entry.permission,
        "components": list(entry.components),
        "speaks_for_the_set": full_check(entry.id, catalogue).set_name if not isinstance(entry, QuickVariant) else None,
    }


def checks_reply(catalogue: Catalogue) -> dict[str, Any]:
    """Every check and quick variant, briefly."""
    entries: list[Check | QuickVariant] = [*catalogue.checks, *catalogue.quick_variants]
    return {
        "version": catalogue.version,
        "checks": [check_listed(e, catalogue) for e in sorted(entries, key=lambda e: e.id)],
    }


def limits_reply(catalogue: Catalogue, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Limits on file with source, date and region."""
    return {
        "version": catalogue.version,
        "regions": sorted({limit.region for limit in catalogue.limits if limit.region}),
        "limits": [
            {
                **limit_reply(limit.id, for_judging(limit), catalogue),
                "check": limit.check,
                "component": limit.component,
                "machine": limit.machine,
                "condition": limit.condition,
                "judges": limit.scope != "published example",
            }
            for limit in catalogue.limits
            if asked["check"] in (None, limit.check) and asked["region"] in (None, limit.region)
        ],
    }


def symptoms_reply(catalogue: Catalogue) -> dict[str, Any]:
    """Symptoms; cautions stand before the note, which may speak of what to do."""
    return {
        "version": catalogue.version,
        "symptoms": [
            {
                "id": row.id,
                "title": row.title,
                "cautions": caution_texts(row.cautions, catalogue),
                "stop_riding": row.stop_riding,
                "by_position": row.by_position,
                "group": row.group,
                "ratios": {ratio.component: ratio.ratio for ratio in row.ratios},
                "note": row.note,
                "mark": row.mark,
            }
            for row in catalogue.symptoms
        ],
    }


def facts_reply(catalogue: Catalogue) -> dict[str, Any]:
    """Facts of a machine's history."""
    return {
        "version": catalogue.version,
        "facts": [
            {
                "id": row.id,
                "title": row.title,
                "group": row.group,
                "ratios": {ratio.component: ratio.ratio for ratio in row.ratios},
                "note": row.note,
                "mild": None
                if row.mild is None
                else {"title": row.mild.title, "ratios": {r.component: r.ratio for r in row.mild.ratios}},
                "voids_checks": list(row.voids_checks),
                "mark": row.mark,
            }
            for row in catalogue.history_facts
        ],
    }
