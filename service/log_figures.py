"""Figures of a shop's lines that stand beside its review list, kept as long as the lines stay.

What is in doubt, what was not read, what parts usually cost; as of the moment the session reads as of.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from statistics import median
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.kept import Kept, database_key
from service.models import ComponentType, JobLine
from service.past import in_doubt_at, lines_then, reads_the_past
from service.queries import line_versions

_prices: Kept[Mapping[str, float]] = Kept(64)
_missing: Kept[dict[str, dict[str, Any]]] = Kept(64)
_shares: Kept[dict[str, Any]] = Kept(64)


def _key(session: Session, shop_id: int) -> tuple[Any, ...]:
    """What figures of a shop's lines rest on."""
    return *database_key(session), shop_id, line_versions(session, shop_id, None), reads_the_past(session)


def usual_prices(session: Session, shop_id: int) -> Mapping[str, float]:
    """The middle price the shop paid for each part, where its lines say; kept as long as its lines stay."""
    return _prices.get(_key(session, shop_id), lambda: _usual_prices(session, shop_id))


def _usual_prices(session: Session, shop_id: int) -> dict[str, float]:
    paid = (
        select(ComponentType.slug, JobLine.parts_cost)
        .join(ComponentType, JobLine.component_type_id == ComponentType.id)
        .where(JobLine.shop_id == shop_id, JobLine.parts_cost.is_not(None))
    )
    prices: dict[str, list[float]] = defaultdict(list)
    for slug, cost in session.execute(lines_then(paid, reads_the_past(session))):
        if cost:
            prices[slug].append(float(cost))
    return {slug: median(costs) for slug, costs in prices.items()}


def missing_readings(session: Session, shop_id: int) -> dict[str, dict[str, Any]]:
    """Share of card lines without a reading, by reason: what is missing is seldom missing at random.

    Kept as long as the shop's lines stay.
    """
    return _missing.get(_key(session, shop_id), lambda: _missing_readings(session, shop_id))


def _missing_readings(session: Session, shop_id: int) -> dict[str, dict[str, Any]]:
    of_shop = select(JobLine.reason, func.count(), func.count(JobLine.odometer_km)).where(JobLine.shop_id == shop_id)
    of_cards = lines_then(of_shop.where(JobLine.source == "card"), reads_the_past(session))
    rows = session.execute(of_cards.group_by(JobLine.reason).order_by(JobLine.reason))
    return {
        reason: {"lines": lines, "without_reading": lines - read, "share": (lines - read) / lines}
        for reason, lines, read in rows
    }


def doubt_share(session: Session, shop_id: int, import_id: int | None = None) -> dict[str, Any]:
    """Lines in force, how many of them nothing is fitted from, and their share."""
    known_at = reads_the_past(session)
    statement = select(in_doubt_at(known_at).label("open")).select_from(JobLine).where(JobLine.shop_id == shop_id)
    if import_id is not None:
        statement = statement.where(JobLine.import_id == import_id)
    here = lines_then(statement, known_at).subquery()
    counted = select(here.c.open, func.count()).group_by(here.c.open)
    counts: dict[bool, int] = {bool(key): n for key, n in session.execute(counted)}
    lines = sum(counts.values())
    return {
        "lines": lines,
        "lines_in_doubt": counts.get(True, 0),
        "share_in_doubt": counts.get(True, 0) / lines if lines else 0.0,
    }


def kept_share(session: Session, shop_id: int, import_id: int | None = None) -> dict[str, Any]:
    """The same, kept as long as the shop's lines stay; for sessions that only read, as others may yet take it back."""
    return _shares.get((*_key(session, shop_id), import_id), lambda: doubt_share(session, shop_id, import_id))
