"""What stands around one line: what bounds a distance nobody read, who shares its card, by whose words it was read.

A card names its machines one after another; each becomes a visit of its own, and every line of it says with whom it
shared the card. A reading that is missing is never 0: the readings before and after bound it.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.imports.habits import costs_hold_tax
from service.margin_readings import margin_readings
from service.models import CatalogueRelease, JobCard, JobLine, Machine, OdometerEntry
from service.vocabulary import HOURS, JOB_LINE_COLUMNS

_ODOMETER, _UNIT, _NOTES = (JOB_LINE_COLUMNS.index(name) for name in ("odometer", "unit", "notes"))


def surroundings(session: Session, line: JobLine) -> dict[str, Any]:
    """The line's distance or its bounds, other machines of its card, the catalogue's version, and its costs."""
    return {
        "distance": _distance(session, line),
        "same_card": _same_card(session, line),
        "catalogue": _catalogue(session, line),
        "costs": _costs(session, line),
        "measured": [reading.document() for reading in margin_readings(line.as_written[_NOTES])],
    }


def _distance(session: Session, line: JobLine) -> dict[str, Any]:
    """Distance since the machine was new at this line, in km: from its own reading, or between its neighbours'."""
    missing = _why_missing(line)
    points = _points(session, line)
    if missing is None:
        own = [km for day, km, written in points if written == line.as_written[_ODOMETER].strip() and _on(day, line)]
        return {"low_km": own[0], "high_km": own[0], "missing": None} if own else _bounded(points, line, "not placed")
    return _bounded(points, line, missing)


def _bounded(points: list[tuple[Any, float, str]], line: JobLine, missing: str) -> dict[str, Any]:
    before = [km for day, km, _ in points if line.date_earliest is not None and day <= line.date_earliest]
    after = [km for day, km, _ in points if line.date_latest is not None and day >= line.date_latest]
    low, high = max(before, default=None), min(after, default=None)
    if (
        low is not None and high is not None and low > high
    ):  # several readings of its own day, in which order is not known
        low, high = high, low
    return {"low_km": low, "high_km": high, "missing": missing}


def _on(day: Any, line: JobLine) -> bool:
    return line.date_earliest is not None and line.date_earliest <= day <= (line.date_latest or day)


def _why_missing(line: JobLine) -> str | None:
    """Why there is no distance; None where the reading stands."""
    if not line.as_written[_ODOMETER].strip():
        return "not written"
    if line.as_written[_UNIT].strip() == HOURS:
        return "engine hours"
    if line.odometer_km is None:
        return "not understood"
    return "in doubt" if line.in_doubt else None


def _points(session: Session, line: JobLine) -> list[tuple[Any, float, str]]:
    """The machine's readings that stand: day, distance since new in km, as written."""
    rows = session.execute(
        select(OdometerEntry.read_on, OdometerEntry.distance_km, OdometerEntry.reading_as_written)
        .where(
            OdometerEntry.machine_id == line.machine_id,
            OdometerEntry.in_doubt.is_(False),
            OdometerEntry.read_on.is_not(None),
            OdometerEntry.distance_km.is_not(None),
        )
        .order_by(OdometerEntry.read_on, OdometerEntry.distance_km)
    )
    return [(row[0], row[1] or 0.0, row[2]) for row in rows]


def _costs(session: Session, line: JobLine) -> dict[str, Any] | None:
    """What the line cost, with currency and whether tax is in it, as the shop had said by then; None: not written."""
    if line.parts_cost is None and line.labour_cost is None:
        return None
    return {
        "parts": _money(line.parts_cost),
        "labour": _money(line.labour_cost),
        "currency": line.currency,
        "tax": costs_hold_tax(session, line.shop_id, line.recorded_at) or None,
    }


def _money(amount: Decimal | None) -> str | None:
    return None if amount is None else format(amount.normalize(), "f")


def _same_card(session: Session, line: JobLine) -> list[dict[str, Any]]:
    card = session.get_one(JobCard, line.card_id)
    rows = session.execute(
        select(Machine.public_id, Machine.reference)
        .join(JobCard, JobCard.machine_id == Machine.id)
        .where(JobCard.shop_id == card.shop_id, JobCard.number == card.number, JobCard.id != card.id)
        .order_by(Machine.id)
    )
    return [{"machine": str(row.public_id), "reference": row.reference} for row in rows]


def _catalogue(session: Session, line: JobLine) -> str | None:
    """The version of the catalogue, its words for parts among it, that was in force when the line was written down."""
    return session.scalar(
        select(CatalogueRelease.version)
        .where(CatalogueRelease.loaded_at <= line.recorded_at)
        .order_by(CatalogueRelease.id.desc())
        .limit(1)
    )
