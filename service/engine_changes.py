"""Another engine in a frame: the parts that follow the engine leave with the old one and come with the new one.

An engine of the same family brings parts of unknown age: the history of the old ones ends when they were last known
good, since nobody says what was wrong with the old engine. Parts of an engine of another family are no evidence on
this machine's model, and are left out of what is read from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.keyed import Standing
from service.lines_read import ACTION_WORDS, REASON_WORDS, SOURCE_WORDS, LinesRead
from service.models import ComponentType, EngineChange, Machine, MachineFamily, MachineModel
from service.past import family_known, in_force

# A line in doubt that could have ended a life breaks its part's history off (analytics.unit_life).
_BREAKS = list(ACTION_WORDS).index("repaired")
_UNKNOWN = list(REASON_WORDS).index("unknown")
_CARD = list(SOURCE_WORDS).index("card")


class Swapped(NamedTuple):
    """An engine change in force; `foreign`: of another family than the machine's own."""

    machine_id: int
    changed_on: date
    family: str
    foreign: bool


def engine_changes(
    session: Session, known_at: datetime | None, machine_ids: Sequence[int] | None = None
) -> list[Swapped]:
    """Engine changes in force at a moment (None: now), of some machines (None: all), by day."""
    if machine_ids is None:
        rows = _ALL.rows(session, known_at)
    else:
        some = _changes(known_at).where(EngineChange.machine_id.in_(machine_ids))
        rows = session.execute(some).all()
    return [
        Swapped(row.machine_id, row.changed_on, row.family, _differs(row.family, row.own or row.model)) for row in rows
    ]


def _changes(known_at: datetime | None) -> Any:
    return (
        select(
            EngineChange.machine_id, EngineChange.changed_on, EngineChange.family,
            MachineFamily.name.label("own"), MachineModel.name.label("model"),
        )
        .join(Machine, EngineChange.machine_id == Machine.id)
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .outerjoin(MachineFamily, family_known(known_at))
        .where(in_force(EngineChange.said_at, EngineChange.undone_at, known_at))
        .order_by(EngineChange.changed_on, EngineChange.id)
    )  # fmt: skip


_ALL = Standing(_changes)


def _differs(family: str, own: str) -> bool:
    return bool(family) and family.casefold() != own.casefold()


def engine_parts(session: Session) -> dict[int, str]:
    """Component types that come and go with an engine: key and slug."""
    rows = session.execute(
        select(ComponentType.id, ComponentType.slug, ComponentType.document).order_by(ComponentType.id)
    )
    return {row.id: row.slug for row in rows if row.document.get("follows_engine")}


def with_engine_changes(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    """Lines of engine parts, broken off at each change; those of a machine with a foreign engine are left out."""
    there = set(np.unique(read.machine).tolist())
    changes = [change for change in engine_changes(session, known_at) if change.machine_id in there]
    if not changes:
        return read
    parts = engine_parts(session)
    foreign = sorted({change.machine_id for change in changes if change.foreign})
    of_engine = np.isin(read.component_type, list(parts))
    read = read.take(~(of_engine & np.isin(read.machine, foreign)))
    same = [(change, key) for change in changes if change.machine_id not in foreign for key in parts]
    if not same:
        return read
    joined = _appended(read, same)
    return joined.take(np.lexsort((np.where(joined.id < 0, np.iinfo(np.int64).max, joined.origin), joined.machine)))


def _appended(read: LinesRead, breaks: Sequence[tuple[Swapped, int]]) -> LinesRead:
    count = len(breaks)
    days = np.array([change.changed_on.toordinal() for change, _ in breaks], dtype=float)
    nobodys = -1 - np.arange(count, dtype=np.int64)  # no line of anybody's
    new: dict[str, NDArray[Any]] = {
        "id": nobodys,
        "origin": nobodys,
        "card": nobodys,
        "machine": np.array([change.machine_id for change, _ in breaks], dtype=np.int64),
        "earliest": days,
        "latest": days,
        "odometer_km": np.full(count, np.nan),
        "component_type": np.array([key for _, key in breaks], dtype=np.int64),
        "position": np.full(count, -1),
        "action": np.full(count, _BREAKS),
        "reason": np.full(count, _UNKNOWN),
        "source": np.full(count, _CARD),
        "quality": np.zeros(count),
        "in_doubt": np.ones(count, dtype=bool),
    }
    both: dict[str, Any] = {
        name: np.concatenate([getattr(read, name), column.astype(getattr(read, name).dtype)])
        for name, column in new.items()
    }
    return replace(read, **both)
