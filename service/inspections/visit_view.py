"""An inspection as it is shown: safety defects first, then what to do next, then what is believed of every part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.outcomes import Verdict
from service.catalogue_types import Catalogue
from service.inspections.evidence import Weighed
from service.inspections.explained import part_replies, safety_reply
from service.inspections.limits_on_file import limits_version
from service.inspections.measured import Measured, judged_reply
from service.inspections.photos import photo_reply
from service.inspections.plans import SCREENING_NOTE
from service.inspections.replan import circumstances_of, replan
from service.inspections.standing import Standing, found_of
from service.inspections.taught import version_of
from service.models import Finding, Inspection, Machine, Photo, StripDown
from service.past import not_superseded, reads_the_past, said_by
from service.settings import Settings

SMALLEST_CHANGE = 0.0005  # of a chance: less is not shown as changed


def inspection_reply(session: Session, standing: Standing, settings: Settings) -> dict[str, Any]:
    """The whole inspection as JSON."""
    row, catalogue = standing.row, standing.places.catalogue
    weighed = standing.weigh()
    known = said_by(Photo.recorded_at, reads_the_past(session))
    photos = session.scalars(select(Photo).where(Photo.inspection_id == row.id, *known).order_by(Photo.id)).all()
    findings = {finding.id: finding.public_id for finding in standing.rows}
    return {
        "id": row.public_id,
        "machine_id": _machine_id(session, row.machine_id),
        "machine": row.machine,
        "as_of": row.as_of,
        "people": row.people,
        "notes": row.notes,
        "circumstances": row.circumstances,
        "history": row.history,
        "symptoms": row.symptoms,
        "facts": row.facts,
        "versions": {
            "estimate": row.estimate_version,
            "catalogue": row.catalogue_version,
            "limits": row.limits_version,
            "accuracies": version_of(row.accuracies),
        },
        "started_at": row.started_at,
        "closed_at": closed_by(row, reads_the_past(session)),
        "safety_defects": safety_reply([found_of(finding) for finding in standing.in_force], row.symptoms, catalogue),
        "plan": rest_plan(standing, weighed, settings),
        "findings": [finding_reply(row, catalogue, standing.superseded(row)) for row in standing.rows],
        "posteriors": part_replies(weighed, catalogue),
        "photos": [photo_reply(photo, findings) for photo in photos],
        "outcomes": [outcome_reply(strip) for strip in outcomes_of(session, row.id)],
        "to_read": [*_version_notes(standing), *_implied_notes(standing), SCREENING_NOTE],
    }


def listed_reply(row: Inspection, known_at: datetime | None) -> dict[str, Any]:
    """An inspection in a list, as it was at a moment (None: now)."""
    names = ("public_id", "machine", "as_of", "people", "started_at")
    return {**{name: getattr(row, name) for name in names}, "closed_at": closed_by(row, known_at)}


def closed_by(row: Inspection, known_at: datetime | None) -> datetime | None:
    """When an inspection was closed; None where it was open at a moment (None: now)."""
    later = row.closed_at is not None and known_at is not None and row.closed_at > known_at
    return None if later else row.closed_at


def _machine_id(session: Session, machine_id: int | None) -> Any:
    return None if machine_id is None else session.scalar(select(Machine.public_id).where(Machine.id == machine_id))


def outcomes_of(session: Session, inspection_id: int) -> Sequence[StripDown]:
    """What parts turned out to be, corrected answers left out."""
    of_visit = select(StripDown).where(StripDown.inspection_id == inspection_id)
    wanted = not_superseded(StripDown, of_visit, reads_the_past(session))
    return session.scalars(wanted.order_by(StripDown.id)).all()


def _version_notes(standing: Standing) -> list[str]:
    row, catalogue = standing.row, standing.places.catalogue
    if catalogue.version != row.catalogue_version:
        return [
            f"Started with catalogue {row.catalogue_version}; checks are shown as catalogue {catalogue.version} has"
            " them now. Chances before the checks, and how good the checks are, are those of the start."
        ]
    if limits_version(catalogue) != row.limits_version:
        return ["Limits have changed since the start: what was judged stays as it was judged, later readings go by"
                " the new ones."]  # fmt: skip
    return []


def _implied_notes(standing: Standing) -> list[str]:
    """What is to be said of facts that the machine's own lines implied at the start."""
    catalogue = standing.places.catalogue
    return [
        fact["says"] for fact in standing.row.facts if fact.get("says") and fact["id"] in catalogue.history_fact_by_id
    ]


def rest_plan(standing: Standing, weighed: Weighed, settings: Settings) -> dict[str, Any]:
    """What to do with the minutes left."""
    return replan(
        weighed,
        standing.done,
        circumstances_of(standing.row.circumstances),
        standing.places.catalogue,
        settings.hourly_rate,
        settings.currency,
    )


def found_reply(before: Standing, now: Standing, finding: Finding, settings: Settings) -> dict[str, Any]:
    """A finding just made: what it changed, and what to do next."""
    catalogue = now.places.catalogue
    weighed = now.weigh()
    return {
        "safety_defects": safety_reply([found_of(row) for row in now.in_force], now.row.symptoms, catalogue),
        "finding": finding_reply(finding, catalogue, superseded=False),
        "changed": _changes(before.weigh(), weighed),
        "plan": rest_plan(now, weighed, settings),
        "notes": [SCREENING_NOTE],
    }


def _changes(before: Weighed, after: Weighed) -> list[dict[str, Any]]:
    """Parts whose chance moved, the most moved first; a position told apart only now moved from its component's."""
    was: dict[tuple[str, str | None], float] = {}
    for part in before.diagnosis.parts:
        was[part.component, part.position] = part.posterior
        was.setdefault((part.component, None), part.posterior)
    moved: list[tuple[float, dict[str, Any]]] = []
    for part in after.diagnosis.parts:
        key = (part.component, part.position)
        old = was.get(key, was.get((part.component, None), part.prior))
        if abs(part.posterior - old) > SMALLEST_CHANGE:
            change = {"component": part.component, "position": part.position, "before": old, "after": part.posterior}
            moved.append((abs(part.posterior - old), change))
    return [change for _, change in sorted(moved, key=lambda entry: -entry[0])]


def finding_reply(row: Finding, catalogue: Catalogue, superseded: bool) -> dict[str, Any]:
    """One finding, its cautions and conditions before its verdict."""
    found = found_of(row)
    measured = Measured(found, tuple(row.judgement), row.judged_by, tuple(row.prerequisites_unmet), ())
    reply: Mapping[str, Any] = (
        judged_reply(measured, catalogue) if row.check_key in catalogue.check_by_id else _bare(row)
    )
    return {
        "id": row.public_id,
        **reply,
        "component": row.component,
        "position": row.position,
        "engine_state": row.engine_state,
        "readings": row.readings,
        "conditions": row.conditions,
        "note": row.note,
        "minutes_spent": row.minutes_spent,
        "recorded_at": row.recorded_at,
        "superseded": superseded,
    }


def _bare(row: Finding) -> dict[str, Any]:
    """A finding of a check that the catalogue no longer has."""
    return {
        "check": row.check_key,
        "title": "a check the catalogue no longer has",
        "outcome": Verdict(row.outcome).value,
        "cautions": [],
        "ask_first": [],
        "prerequisites_unmet": row.prerequisites_unmet,
        "judged_by": row.judged_by,
        "judgements": row.judgement,
        "says": [],
        "notes": [],
        "trap": "",
    }


def outcome_reply(strip: StripDown) -> dict[str, Any]:
    """What a part turned out to be."""
    return {
        "id": strip.public_id,
        "component": strip.component,
        "position": strip.position,
        "really_bad": strip.really_bad,
        "found_on": strip.found_on,
        "note": strip.note,
        "recorded_at": strip.recorded_at,
    }
