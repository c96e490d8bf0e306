"""A diagnosis in words and numbers: every part's chance, what moved it and by how much, safety defects first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from analytics.diagnosis_types import PartDiagnosis
from service.catalogue_types import Catalogue
from service.inspections.evidence import IDLE, NON_RUNNER, Found, Weighed
from service.inspections.inspected import InspectedPart
from service.inspections.plan_texts import title_of

LEAST = 1e-12
STANDING = "standing"
DO_NOT_RIDE = "Do not ride: have it examined by a licensed person. This stands whatever the chances below say."


def part_replies(weighed: Weighed, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Every part, likeliest bad first."""
    before = {(p.component, p.position): p for p in weighed.parts}
    replies = [
        {
            "component": part.component,
            "name": catalogue.component_by_slug[part.component].name,
            "position": part.position,
            "safety_class": catalogue.component_by_slug[part.component].safety_class,
            "known_bad": before[part.component, part.position].known_bad,
            "chance_bad_now": _before(before[part.component, part.position]),
            **after_reply(part, before[part.component, part.position], weighed, catalogue),
        }
        for part in weighed.diagnosis.parts
    ]
    return sorted(replies, key=lambda r: -r["chance_bad_now_after"]["value"])


def after_reply(part: PartDiagnosis, before: InspectedPart, weighed: Weighed, catalogue: Catalogue) -> dict[str, Any]:
    """Chance after the evidence with the list of what moved it; the log odds of the list add up to the move.

    The interval is that of the chance before, its odds moved as far as the chance itself was.
    """
    chance = 1.0 if before.known_bad else before.value
    start = _log_odds(chance)
    moves = [*_standing(part, start, weighed), *(_move(m, catalogue) for m in part.moves)]
    return {
        "chance_bad_now_after": _moved(before, part.posterior, start, part.posterior_log_odds)
        if moves
        else _before(before),
        "moved_by": moves,
        "not_counted": [
            {"evidence": entry.evidence, "title": evidence_title(entry.evidence, catalogue), "reason": entry.reason}
            for entry in part.not_counted
        ],
    }


def _moved(before: InspectedPart, value: float, start: float, end: float) -> dict[str, float]:
    return {
        "value": value,
        "low": min(value, _chance(_log_odds(before.low) + end - start)),
        "high": max(value, _chance(_log_odds(before.high) + end - start)),
        "level": before.level,
    }


def _before(part: InspectedPart) -> dict[str, float]:
    return {"value": part.value, "low": part.low, "high": part.high, "level": part.level}


def _standing(part: PartDiagnosis, start: float, weighed: Weighed) -> list[dict[str, Any]]:
    """What standing idle did, where it struck the part by itself."""
    moved = part.prior_log_odds - start
    months = weighed.observed.idle_months
    if not months or abs(moved) <= LEAST:
        return []
    return [_entry(STANDING, f"stood {months:g} months: chance of sticking, invented prior", moved, False, None)]


def _move(move: Any, catalogue: Catalogue) -> dict[str, Any]:
    return _entry(move.evidence, evidence_title(move.evidence, catalogue), move.log_odds, move.through_set, move.note)


def _entry(key: str, title: str, log_odds: float, through_set: bool, note: str | None) -> dict[str, Any]:
    return {
        "evidence": key,
        "title": title,
        "log_odds": log_odds,
        "factor": math.exp(max(min(log_odds, 60.0), -60.0)),
        "through_set": through_set,
        "note": note,
    }


def evidence_title(key: str, catalogue: Catalogue) -> str:
    """What a piece of evidence is, in words."""
    if key == NON_RUNNER:
        return "does not run: something that could be the cause is bad"
    if key in (STANDING, IDLE):
        return "stood idle"
    if key in catalogue.symptom_by_id:
        return catalogue.symptom_by_id[key].title
    if key in catalogue.history_fact_by_id:
        return catalogue.history_fact_by_id[key].title
    return title_of(key, catalogue)


def safety_reply(
    findings: Iterable[Found], symptoms: Sequence[Mapping[str, Any]], catalogue: Catalogue
) -> list[dict[str, Any]]:
    """Safety defects, outside any ranking: failed or doubtful checks of class A parts, symptoms that end the ride.

    Fails come first; a later pass of the same check on the same part does not take an entry away.
    """
    found = [entry for finding in findings for entry in _defects(finding, catalogue)]
    found += [
        {
            "outcome": "symptom",
            "evidence": asked["id"],
            "title": catalogue.symptom_by_id[asked["id"]].title,
            "component": None,
            "position": None,
            "note": DO_NOT_RIDE,
        }
        for asked in symptoms
        if asked["present"] and catalogue.symptom_by_id[asked["id"]].stop_riding
    ]
    order = {"fail": 0, "symptom": 1, "marginal": 2}
    return sorted(found, key=lambda entry: order[entry["outcome"]])


def _defects(finding: Found, catalogue: Catalogue) -> list[dict[str, Any]]:
    if finding.outcome.value not in ("fail", "marginal") or finding.part_mark is not None:
        return []
    entry = catalogue.check_by_id[finding.check]
    slugs = [finding.component] if finding.component else list(entry.components)
    return [
        {
            "outcome": finding.outcome.value,
            "evidence": finding.check,
            "title": title_of(finding.check, catalogue),
            "component": slug,
            "position": finding.position,
            "note": DO_NOT_RIDE if finding.outcome.value == "fail" else "In doubt: examine it before riding.",
        }
        for slug in slugs
        if catalogue.component_by_slug[slug].safety_class == "A"
    ]


def _log_odds(chance: float) -> float:
    held = min(max(chance, LEAST), 1 - LEAST)
    return math.log(held) - math.log1p(-held)


def _chance(log_odds: float) -> float:
    return 1 / (1 + math.exp(-max(min(log_odds, 700.0), -700.0)))
