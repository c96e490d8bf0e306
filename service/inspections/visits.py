"""Inspections as records: started, added to, taken up again, closed. The only place their rows are written.

What an answer rests on is kept at the start (chances, versions), findings are added and never changed, and where the
inspection stands is worked out afresh from both whenever it is asked for.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.errors import Conflict, InvalidInput, NotFound
from service.inspections.evidence import Found
from service.inspections.inspected import places_of
from service.inspections.limits_on_file import known_region, limits_version
from service.inspections.measured import Measured, Yard, measure
from service.inspections.observed import told_in
from service.inspections.plans import SEASON
from service.inspections.ranking import Ranking, rank_described, rank_recorded
from service.inspections.serving import Snapshot
from service.inspections.standing import Standing, found_of, limits_here, stand
from service.inspections.taught import to_keep
from service.models import CatalogueRelease, Finding, Inspection, Machine, StripDown
from service.queries import machine_of
from service.settings import Settings

__all__ = ["Standing", "add_finding", "add_outcome", "close", "found_of", "stand", "start", "yard_of"]
KEPT_CIRCUMSTANCES = (
    "minutes",
    "kit",
    "permission",
    "engine_cold",
    "engine_runs",
    "key_has_been_on",
    "ambient_celsius",
    "region",
)


def start(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, now: datetime, today: date, settings: Settings
) -> Inspection:
    """Begin an inspection (checked by `InspectionAsked`); does not commit.

    Raises
    ------
    InvalidInput, NotFound
        Nothing is written then.
    """
    as_of = asked["as_of"] or today
    machine, ranking, snapshot = _ranked(session, shop_id, asked, as_of, settings)
    places = places_of(ranking, snapshot)
    symptoms, facts = told_in(asked, places)
    release = session.scalars(select(CatalogueRelease).order_by(CatalogueRelease.id.desc()).limit(1)).one()
    circumstances = {name: asked[name] for name in KEPT_CIRCUMSTANCES}
    if any(fact["id"] == "H11" and fact["present"] for fact in facts):
        circumstances["engine_cold"] = False  # the engine was warm on arrival
    row = Inspection(
        shop_id=shop_id,
        machine_id=None if machine is None else machine.id,
        machine=_described(asked, machine, ranking),
        as_of=as_of,
        circumstances=circumstances,
        people=list(asked["people"]),
        history=list(asked["history"]),
        symptoms=[dict(item) for item in symptoms],
        facts=[dict(item) for item in facts],
        notes=asked["notes"],
        priors=[part.to_dict() for part in places.parts],
        estimate_version=ranking.version,
        catalogue_release_id=release.id,
        catalogue_version=release.version,
        limits_version="",
        accuracies=to_keep(snapshot.taught),
        started_at=now,
    )
    limits = limits_here(session, row, snapshot)
    known_region(asked["region"], limits, "/region")
    row.limits_version = limits_version(limits)
    session.add(row)
    session.flush()
    return row


def _ranked(
    session: Session, shop_id: int, asked: Mapping[str, Any], as_of: date, settings: Settings
) -> tuple[Machine | None, Ranking, Snapshot]:
    if asked["machine_id"] is None:
        question = {**asked, "as_of": as_of, "horizon": {"distance": None, "months": 12.0}, "level": 0.9}
        return None, *rank_described(session, shop_id, question, today=as_of, pool_open=settings.pool_open)
    try:
        machine = machine_of(session, shop_id, asked["machine_id"])
    except NotFound as error:
        raise InvalidInput(str(error), pointer="/machine_id") from None
    return machine, *rank_recorded(
        session,
        shop_id,
        machine.public_id,
        as_of=as_of,
        horizon=SEASON,
        level=0.9,
        pool_open=settings.pool_open,
    )


def _described(asked: Mapping[str, Any], machine: Machine | None, ranking: Ranking) -> dict[str, Any]:
    """The machine as it stood; `cell` says which limits and estimates hold for it."""
    cell = ranking.machine.cell
    new_on = date.fromordinal(int(ranking.machine.new_day)) if ranking.machine.new_day >= 1 else None
    year = (asked["machine"] or {}).get("model_year") if machine is None else machine.model_year
    named = {
        "year": year or (None if new_on is None else new_on.year),
        "cell": {"make": cell.make, "family": cell.family, "model": cell.model},
        "km": round(ranking.machine.now_km),
    }
    if machine is None:
        return {**asked["machine"], **named}
    return {
        "reference": machine.reference,
        "make": machine.model.make.name,
        "model": machine.model.name,
        "family": cell.family or None,
        "model_year": machine.model_year,
        "built": machine.built,
        "first_registered": machine.first_registered,
        **named,
    }


def add_finding(
    session: Session,
    standing: Standing,
    asked: Mapping[str, Any],
    *,
    digest: bytes,
    now: datetime,
) -> tuple[Finding, Measured]:
    """Judge and record a finding (checked by `FindingAsked`); does not commit.

    Raises
    ------
    InvalidInput, Conflict
        Nothing is written then.
    """
    row = standing.row
    _refuse_closed(row)
    corrected = _corrected(standing, asked["corrects"])
    earlier = [found_of(r) for r in standing.in_force if r is not corrected]
    measured = measure(asked, yard_of(standing, earlier))
    finding = Finding(
        shop_id=row.shop_id,
        inspection_id=row.id,
        check_key=measured.found.check,
        component=measured.found.component,
        position=measured.found.position,
        engine_state=measured.found.engine_state,
        outcome=measured.found.outcome.value,
        readings=[dict(reading) for reading in asked["readings"]],
        conditions=dict(asked["conditions"]),
        prerequisites_unmet=list(measured.unmet),
        judgement=list(measured.entries),
        judged_by=measured.judged_by,
        part_mark=measured.found.part_mark,
        note="\n".join([asked["note"], *measured.notes]).strip(),
        minutes_spent=asked["minutes_spent"],
        recorded_at=now,
        request_digest=digest,
    )
    session.add(finding)
    session.flush()
    if corrected is not None:
        session.execute(update(Finding).where(Finding.id == corrected.id).values(superseded_by_id=finding.id))
    return finding, measured


def yard_of(standing: Standing, earlier: Sequence[Found]) -> Yard:
    """What a finding of this inspection is judged against."""
    circumstances = standing.row.circumstances
    return Yard(
        standing.places.catalogue,
        standing.places,
        circumstances["region"],
        circumstances["permission"],
        circumstances["ambient_celsius"],
        earlier,
        standing.row.facts,
    )


def _corrected(standing: Standing, public_id: uuid.UUID | None) -> Finding | None:
    if public_id is None:
        return None
    found = next((row for row in standing.in_force if row.public_id == public_id), None)
    if found is None:
        raise InvalidInput("corrects must be the id of a finding of this inspection in force", pointer="/corrects")
    return found


def _refuse_closed(row: Inspection) -> None:
    if row.closed_at is not None:
        raise Conflict("this inspection is closed; start another one")


def close(row: Inspection, now: datetime) -> None:
    """End an inspection; closing twice keeps the first moment."""
    row.closed_at = row.closed_at or now


def add_outcome(session: Session, standing: Standing, asked: Mapping[str, Any], *, now: datetime) -> StripDown:
    """Record what a part turned out to be, also after the inspection was closed; a later answer corrects an earlier."""
    row = standing.row
    standing.places.check(asked["component"], asked["position"], "")
    found_on = asked["found_on"] or max(now.date(), row.as_of)
    if found_on < row.as_of:
        raise InvalidInput(f"found_on lies before the inspection of {row.as_of}", pointer="/found_on")
    if found_on > max(now.date(), row.as_of):
        raise InvalidInput("found_on lies in the future", pointer="/found_on")
    strip = StripDown(
        shop_id=row.shop_id,
        inspection_id=row.id,
        component=asked["component"],
        position=asked["position"],
        really_bad=asked["really_bad"],
        found_on=found_on,
        note=asked["note"],
        recorded_at=now,
    )
    session.add(strip)
    session.flush()
    session.execute(
        update(StripDown)
        .where(StripDown.inspection_id == row.id, StripDown.component == strip.component)
        .where(StripDown.position == strip.position if strip.position else StripDown.position.is_(None))
        .where(StripDown.superseded_by_id.is_(None), StripDown.id != strip.id)
        .values(superseded_by_id=strip.id)
    )
    return strip
