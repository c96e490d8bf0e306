"""Reading the records as they were known at a past moment, and the links between lines in force then."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.errors import InvalidInput
from service.models import LineLink
from service.vocabulary import LINKS_THAT_REMOVE

_KEY = "known_at"


class Links(NamedTuple):
    """Lines, by the one first written down, that stand for nothing, and those said to be events of their own."""

    removed: frozenset[int]
    two_events: frozenset[int]
    swaps: tuple[tuple[int, int], ...] = ()  # two lines that say: the units of these places changed places


def read_as_known_at(session: Session, known_at: datetime | None, *, now: datetime) -> None:
    """Make everything this session reads of lines and estimates be as it was known at a moment (None: now)."""
    if known_at is None:
        return
    if known_at.tzinfo is None:
        raise InvalidInput("write the moment with its time zone, as in 2026-03-01T08:00:00Z", pointer="/known_at")
    if known_at > now:
        raise InvalidInput("what will be known later cannot be read; give a past moment", pointer="/known_at")
    session.info[_KEY] = known_at


def reads_the_past(session: Session) -> datetime | None:
    """The moment a session reads as of; None for now."""
    moment = session.info.get(_KEY)
    assert moment is None or isinstance(moment, datetime)
    return moment


def read_links(session: Session, shop_ids: Sequence[int] | None, known_at: datetime | None) -> Links:
    """Links in force at a moment (None: now)."""
    kinds = (*LINKS_THAT_REMOVE, "two_events", "swap")
    statement = select(LineLink.line_id, LineLink.kind, LineLink.to_line_id).where(LineLink.kind.in_(kinds))
    if shop_ids is not None:
        statement = statement.where(LineLink.shop_id.in_(shop_ids))
    if known_at is None:
        statement = statement.where(LineLink.undone_at.is_(None))
    else:
        undone_later = or_(LineLink.undone_at.is_(None), LineLink.undone_at > known_at)
        statement = statement.where(LineLink.made_at <= known_at, undone_later)
    rows = session.execute(statement.order_by(LineLink.id)).all()
    swaps = tuple((line, other) for line, kind, other in rows if kind == "swap" and other is not None)
    return Links(
        frozenset(line for line, kind, _ in rows if kind in LINKS_THAT_REMOVE),
        frozenset(line for line, kind, _ in rows if kind == "two_events"),
        swaps,
    )
