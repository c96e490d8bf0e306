"""Reading the records as they were known at a past moment, and the links between lines in force then."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, and_, exists, or_, select
from sqlalchemy.orm import Session, aliased
from sqlalchemy.orm.attributes import set_committed_value

from service.errors import InvalidInput
from service.models import Doubt, JobLine, LineLink, Machine, MachineBefore, MachineFamily, MachineModel
from service.vocabulary import ASKING_KINDS, LINKS_THAT_REMOVE

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


def in_force(since: Any, until: Any, known_at: Any) -> ColumnElement[bool]:
    """Whether what was said at `since` and ended at `until` (null: not yet) held at a moment (None: now)."""
    if known_at is None:
        return until.is_(None)
    return and_(since <= known_at, or_(until.is_(None), until > known_at))


def said_by(since: Any, known_at: Any) -> Sequence[ColumnElement[bool]]:
    """What a statement asks of rows that are never ended: that they were there at a moment (None: nothing)."""
    return [] if known_at is None else [since <= known_at]


def not_superseded(model: Any, statement: Any, known_at: Any) -> Any:
    """A statement about rows of a model that later ones supersede: those in force at a moment (None: now)."""
    if known_at is None:
        return statement.where(model.superseded_by_id.is_(None))
    later = aliased(model)
    return (
        statement.outerjoin(later, model.superseded_by_id == later.id)
        .where(model.recorded_at <= known_at)
        .where(or_(later.id.is_(None), later.recorded_at > known_at))
    )


def lines_then(statement: Any, known_at: Any) -> Any:
    """A statement about job lines: those in force at a moment (None: now)."""
    return not_superseded(JobLine, statement, known_at)


def family_known(known_at: datetime | None) -> ColumnElement[bool]:
    """What makes a model's family known at a moment (None: now), where the two are joined."""
    of_family = MachineModel.family_id == MachineFamily.id
    if known_at is None:
        return of_family
    return and_(of_family, or_(MachineModel.family_since.is_(None), MachineModel.family_since <= known_at))


def builds_then(session: Session, machine_ids: Sequence[int] | None = None) -> dict[int, MachineBefore]:
    """Of machines of which more was filled in since the moment the session reads as of: what was on record then."""
    known_at = reads_the_past(session)
    if known_at is None:
        return {}
    later = select(MachineBefore).where(MachineBefore.until > known_at)
    if machine_ids is not None:
        later = later.where(MachineBefore.machine_id.in_(machine_ids))
    # the first change after the moment tells, so that it comes last
    return {row.machine_id: row for row in session.scalars(later.order_by(MachineBefore.id.desc()))}


def machines_then(session: Session, machines: Sequence[Machine]) -> Sequence[Machine]:
    """Machines with what was on record of them when the session reads as of; nothing of it is ever written."""
    known_at = reads_the_past(session)
    if known_at is None:
        return machines
    before = builds_then(session, [machine.id for machine in machines])
    for machine in machines:
        then = before.get(machine.id)
        for name in ("model_year", "built", "first_registered", "new_on") if then else ():
            set_committed_value(machine, name, getattr(then, name))
        since = machine.model.family_since
        if since is not None and since > known_at:
            set_committed_value(machine.model, "family", None)
    return machines


def in_doubt_at(known_at: Any) -> ColumnElement[bool]:
    """Whether something about a job line was open at a moment (None: now)."""
    if known_at is None:
        return JobLine.in_doubt.expression
    return exists().where(
        Doubt.job_line_id == JobLine.id,
        in_force(Doubt.raised_at, Doubt.settled_at, known_at),
        *(Doubt.kind != kind for kind in ASKING_KINDS),
    )


def read_links(session: Session, shop_ids: Sequence[int] | None, known_at: datetime | None) -> Links:
    """Links in force at a moment (None: now)."""
    kinds = (*LINKS_THAT_REMOVE, "two_events", "swap")
    statement = select(LineLink.line_id, LineLink.kind, LineLink.to_line_id).where(LineLink.kind.in_(kinds))
    if shop_ids is not None:
        statement = statement.where(LineLink.shop_id.in_(shop_ids))
    statement = statement.where(in_force(LineLink.made_at, LineLink.undone_at, known_at))
    rows = session.execute(statement.order_by(LineLink.id)).all()
    swaps = tuple((line, other) for line, kind, other in rows if kind == "swap" and other is not None)
    return Links(
        frozenset(line for line, kind, _ in rows if kind in LINKS_THAT_REMOVE),
        frozenset(line for line, kind, _ in rows if kind == "two_events"),
        swaps,
    )
