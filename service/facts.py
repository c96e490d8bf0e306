"""Write and look up what a shop says beside its cards: plates, dates, rules, engine hours, changes of engines."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from service import records
from service.engine_changes import engine_parts
from service.errors import Conflict, InvalidInput, NotFound
from service.imports.dates import read_date
from service.imports.faults import Fault
from service.models import (
    ComponentType,
    EngineChange,
    HoursAssumption,
    JobLine,
    LineDate,
    Machine,
    MachinePlate,
    Shop,
    ShopPolicy,
)
from service.past import in_force, reads_the_past

_MARKS = re.compile(r"[\W_]+")


class Said(NamedTuple):
    """Who says something, and when."""

    by: str
    now: datetime


def _in_force(session: Session, model: Any) -> ColumnElement[bool]:
    """Statements of a kind in force when the session reads as of."""
    return in_force(model.said_at, model.undone_at, reads_the_past(session))


def fold_plate(text: str) -> str:
    """A registration without blanks, hyphens and case."""
    return _MARKS.sub("", text).upper()


def add_plate(session: Session, machine: Machine, asked: Mapping[str, Any], said: Said) -> MachinePlate:
    """A plate the machine bore; the same plate may have been on another machine at another time."""
    start, end = asked.get("borne_from"), asked.get("borne_until")
    if start and end and end < start:
        raise InvalidInput("the plate cannot come off before it was put on", pointer="/borne_until")
    if not fold_plate(asked["plate"]):
        raise InvalidInput("a plate has letters or digits", pointer="/plate")
    row = MachinePlate(
        shop_id=machine.shop_id, machine_id=machine.id, as_written=asked["plate"], folded=fold_plate(asked["plate"]),
        borne_from=start, borne_until=end, said_by=said.by, said_at=said.now,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def plates_of(session: Session, machine_id: int) -> Sequence[MachinePlate]:
    """The machine's plates, oldest statement first."""
    return session.scalars(
        select(MachinePlate)
        .where(MachinePlate.machine_id == machine_id, _in_force(session, MachinePlate))
        .order_by(MachinePlate.id)
    ).all()


def bearers_of(session: Session, shop_id: int, plate: str, on: date | None) -> list[MachinePlate]:
    """Who bore a plate: every machine of the shop that ever did, or on one day."""
    statement = select(MachinePlate).where(
        MachinePlate.shop_id == shop_id, MachinePlate.folded == fold_plate(plate), _in_force(session, MachinePlate)
    )
    if on is not None:
        statement = statement.where(or_(MachinePlate.borne_from.is_(None), MachinePlate.borne_from <= on))
        statement = statement.where(or_(MachinePlate.borne_until.is_(None), MachinePlate.borne_until >= on))
    return list(session.scalars(statement.order_by(MachinePlate.id)))


def add_line_date(session: Session, line: JobLine, event: str, text: str, said: Said) -> LineDate:
    """One of a line's own dates; the part cannot have failed after the work was done."""
    try:
        span = read_date(text)
    except Fault as fault:
        raise InvalidInput(f"{fault.reason}; write {fault.instead}", pointer="/date") from None
    if span.earliest > said.now.date():
        raise InvalidInput("the date lies in the future", pointer="/date")
    if event != "done" and line.date_latest is not None and span.earliest > line.date_latest:
        raise InvalidInput(f"the card is of {line.date_latest}: {event} comes before", pointer="/date")
    row = LineDate(
        shop_id=line.shop_id, line_id=line.first_id or line.id, event=event, as_written=text, earliest=span.earliest,
        latest=span.latest, said_by=said.by, said_at=said.now,
    )  # fmt: skip
    session.add(row)
    records.raise_versions(session, [line.machine_id])
    mark_stale(session, line.shop_id, [line.component_type_id], said)
    return row


def dates_of(session: Session, line: JobLine) -> Sequence[LineDate]:
    """The line's own dates."""
    origin = line.first_id or line.id
    statement = select(LineDate).where(LineDate.line_id == origin, _in_force(session, LineDate))
    return session.scalars(statement.order_by(LineDate.id)).all()


def add_policy(session: Session, shop_id: int, asked: Mapping[str, Any], said: Said) -> ShopPolicy:
    """A rule to renew; removals it explains are planned ones."""
    component = session.scalar(select(ComponentType).where(ComponentType.slug == asked["component"]))
    if component is None:
        raise InvalidInput("there is no such component", pointer="/component")
    if asked["every_km"] is None and asked["every_months"] is None:
        raise InvalidInput("say every how many km, or every how many months", pointer="/every_km")
    until = asked["in_force_until"]
    if until is not None and until < asked["in_force_from"]:
        raise InvalidInput("the rule cannot end before it began", pointer="/in_force_until")
    row = ShopPolicy(
        shop_id=shop_id, component_type_id=component.id, every_km=asked["every_km"],
        every_months=asked["every_months"], in_force_from=asked["in_force_from"], in_force_until=until,
        why=asked["why"], said_by=said.by, said_at=said.now,
    )  # fmt: skip
    session.add(row)
    touched = select(JobLine.machine_id).where(JobLine.shop_id == shop_id, JobLine.component_type_id == component.id)
    records.raise_versions(session, list(session.scalars(touched.distinct())))
    mark_stale(session, shop_id, [component.id], said)
    return row


def policies_of(session: Session, shop_id: int) -> list[tuple[ShopPolicy, str]]:
    """The shop's rules with the slug of the part."""
    statement = (
        select(ShopPolicy, ComponentType.slug)
        .join(ComponentType, ShopPolicy.component_type_id == ComponentType.id)
        .where(ShopPolicy.shop_id == shop_id, _in_force(session, ShopPolicy))
    )
    return [(row, slug) for row, slug in session.execute(statement.order_by(ShopPolicy.id))]


def assume_hours(session: Session, machine: Machine, km_per_hour: float, why: str, said: Said) -> HoursAssumption:
    """Declare what an hour of this machine's engine is in km."""
    row = HoursAssumption(
        shop_id=machine.shop_id, machine_id=machine.id, km_per_hour=km_per_hour, why=why, said_by=said.by,
        said_at=said.now,
    )  # fmt: skip
    session.add(row)
    records.raise_versions(session, [machine.id])
    mark_stale(session, machine.shop_id, components_of(session, [machine.id]), said)
    return row


def add_engine_change(session: Session, machine: Machine, asked: Mapping[str, Any], said: Said) -> EngineChange:
    """Another engine went in; what follows an engine is of unknown age from that day on."""
    if asked["changed_on"] > said.now.date():
        raise InvalidInput("the day lies in the future", pointer="/changed_on")
    if machine.new_on is not None and asked["changed_on"] < machine.new_on:
        raise InvalidInput(f"the machine is of {machine.new_on}: it had no engine before", pointer="/changed_on")
    row = EngineChange(
        shop_id=machine.shop_id, machine_id=machine.id, changed_on=asked["changed_on"], family=asked["family"] or "",
        why=asked["why"], said_by=said.by, said_at=said.now,
    )  # fmt: skip
    session.add(row)
    _engine_touched(session, machine, said)
    return row


def engine_changes_of(session: Session, machine_id: int) -> Sequence[EngineChange]:
    """The machine's engine changes, those taken back among them."""
    return session.scalars(
        select(EngineChange).where(EngineChange.machine_id == machine_id).order_by(EngineChange.id)
    ).all()


def undo_engine_change(session: Session, machine: Machine, public_id: Any, said: Said) -> EngineChange:
    """Take back that an engine was changed; it stays on record as taken back."""
    row = session.scalar(
        select(EngineChange).where(EngineChange.machine_id == machine.id, EngineChange.public_id == public_id)
    )
    if row is None:
        raise NotFound("there is no such engine change")
    if row.undone_at is not None:
        raise Conflict("the engine change has been taken back already")
    row.undone_by, row.undone_at = said.by, said.now
    _engine_touched(session, machine, said)
    return row


def _engine_touched(session: Session, machine: Machine, said: Said) -> None:
    session.flush()
    records.raise_versions(session, [machine.id])
    mark_stale(session, machine.shop_id, list(engine_parts(session)), said)


def components_of(session: Session, machine_ids: Sequence[int]) -> list[int | None]:
    """Keys of the parts that lines of some machines name."""
    statement = select(JobLine.component_type_id).where(JobLine.machine_id.in_(machine_ids)).distinct()
    return list(session.scalars(statement))


def mark_stale(session: Session, shop_id: int, components: Sequence[int | None], said: Said) -> None:
    """Have estimates of these parts made anew, of the shop and of the pool it is in."""
    session.flush()
    slugs = session.scalars(
        select(ComponentType.slug).where(ComponentType.id.in_([key for key in components if key is not None]))
    )
    records.mark_stale(session, session.get_one(Shop, shop_id), slugs, now=said.now)
