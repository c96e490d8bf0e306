"""Write and look up what a shop says beside its cards: plates, dates, rules, engine hours, machines it shares."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service import records
from service.engine_changes import engine_parts
from service.errors import Conflict, InvalidInput, NotFound
from service.imports.dates import read_date
from service.imports.faults import Fault
from service.imports.frame_numbers import read_frame_number
from service.models import (
    ComponentType,
    EngineChange,
    HoursAssumption,
    JobLine,
    JoinAgreement,
    LineDate,
    Machine,
    MachineJoin,
    MachinePlate,
    Shop,
    ShopPolicy,
)

_MARKS = re.compile(r"[\W_]+")


class Said(NamedTuple):
    """Who says something, and when."""

    by: str
    now: datetime


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
        .where(MachinePlate.machine_id == machine_id, MachinePlate.undone_at.is_(None))
        .order_by(MachinePlate.id)
    ).all()


def bearers_of(session: Session, shop_id: int, plate: str, on: date | None) -> list[MachinePlate]:
    """Who bore a plate: every machine of the shop that ever did, or on one day."""
    statement = select(MachinePlate).where(
        MachinePlate.shop_id == shop_id, MachinePlate.folded == fold_plate(plate), MachinePlate.undone_at.is_(None)
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
    _mark_stale(session, line.shop_id, [line.component_type_id], said)
    return row


def dates_of(session: Session, line: JobLine) -> Sequence[LineDate]:
    """The line's own dates."""
    origin = line.first_id or line.id
    statement = select(LineDate).where(LineDate.line_id == origin, LineDate.undone_at.is_(None))
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
    _mark_stale(session, shop_id, [component.id], said)
    return row


def policies_of(session: Session, shop_id: int) -> list[tuple[ShopPolicy, str]]:
    """The shop's rules with the slug of the part."""
    statement = (
        select(ShopPolicy, ComponentType.slug)
        .join(ComponentType, ShopPolicy.component_type_id == ComponentType.id)
        .where(ShopPolicy.shop_id == shop_id, ShopPolicy.undone_at.is_(None))
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
    _mark_stale(session, machine.shop_id, _components_of(session, [machine.id]), said)
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
    _mark_stale(session, machine.shop_id, list(engine_parts(session)), said)


def agree_to_join(session: Session, shop_id: int, said: Said) -> int:
    """Consent that machines are joined with the same ones of shops that consent too; returns how many were."""
    if session.scalar(_agreement(shop_id)) is None:
        session.add(JoinAgreement(shop_id=shop_id, agreed_by=said.by, agreed_at=said.now))
        session.flush()
    return join_machines(session, said)


def end_agreement(session: Session, shop_id: int, why: str, said: Said) -> int:
    """Take the consent back: every join of the shop's machines is undone; returns how many were."""
    for agreement in session.scalars(_agreement(shop_id)):
        agreement.ended_by, agreement.ended_at = said.by, said.now
    joins = session.scalars(_joins_of(shop_id)).all()
    for join in joins:
        _undo(session, join, shop_id, why, said)
    return len(joins)


def _agreement(shop_id: int) -> Any:
    return select(JoinAgreement).where(JoinAgreement.shop_id == shop_id, JoinAgreement.ended_at.is_(None))


def join_machines(session: Session, said: Said) -> int:
    """Join machines of agreeing shops that bear the same whole frame number, unless somebody took that back before.

    Only a number of seventeen characters without I, O and Q (ISO 3779) says that two machines are one: shorter ones
    are numbers of a shop.
    """
    agreed = select(JoinAgreement.shop_id).where(JoinAgreement.ended_at.is_(None))
    same: dict[str, list[Machine]] = defaultdict(list)
    for machine in session.scalars(select(Machine).where(Machine.shop_id.in_(agreed)).order_by(Machine.id)):
        number = read_frame_number(machine.reference)
        if number.check in ("ok", "fails") and len(number.normalised) == 17:
            same[number.normalised].append(machine)
    known = {(one, other) for one, other in session.execute(select(MachineJoin.machine_id, MachineJoin.to_machine_id))}
    made = 0
    for first, *others in same.values():
        for other in others:
            if other.shop_id != first.shop_id and (other.id, first.id) not in known:
                session.add(_join(other, first, said))
                made += 1
                _touch(session, other, first, said)
    session.flush()
    return made


def _join(machine: Machine, to: Machine, said: Said) -> MachineJoin:
    return MachineJoin(
        shop_id=machine.shop_id, machine_id=machine.id, to_shop_id=to.shop_id, to_machine_id=to.id,
        basis="the same whole frame number", made_by=said.by, made_at=said.now,
    )  # fmt: skip


def _joins_of(shop_id: int) -> Any:
    mine = or_(MachineJoin.shop_id == shop_id, MachineJoin.to_shop_id == shop_id)
    return select(MachineJoin).where(mine, MachineJoin.undone_at.is_(None)).order_by(MachineJoin.id)


def joins_of(session: Session, shop_id: int) -> list[dict[str, Any]]:
    """The shop's machines that count together with one of another shop, with the trail; never whose that one is."""
    mine = or_(MachineJoin.shop_id == shop_id, MachineJoin.to_shop_id == shop_id)
    found = []
    for join in session.scalars(select(MachineJoin).where(mine).order_by(MachineJoin.id)):
        own = join.machine_id if join.shop_id == shop_id else join.to_machine_id
        machine = session.get_one(Machine, own)
        found.append(
            {
                "id": join.public_id,
                "machine": machine.public_id,
                "reference": machine.reference,
                "basis": join.basis,
                "made_at": join.made_at,
                "undone_at": join.undone_at,
                "undone_why": join.undone_why if join.undone_at is not None else None,
                "offered_again": None
                if join.offered_shop_id is None
                else ("by this shop" if join.offered_shop_id == shop_id else "by the other shop"),
            }
        )
    return found


def undo_join(session: Session, shop_id: int, public_id: Any, why: str, said: Said) -> None:
    """Count the two machines apart again; the join stays on record and is not made anew by itself."""
    join = _join_of(session, shop_id, public_id)
    if join.undone_at is not None:
        raise Conflict("the join has been undone already")
    _undo(session, join, shop_id, why, said)


def join_again(session: Session, shop_id: int, public_id: Any, said: Said) -> bool:
    """Count two machines together once more; whether they are now.

    The shop that took them apart does it at once. The other one's word is an offer, which waits for that shop's.
    """
    join = _join_of(session, shop_id, public_id)
    if join.undone_at is None:
        raise Conflict("the machines count together already")
    pair = MachineJoin.machine_id == join.machine_id, MachineJoin.to_machine_id == join.to_machine_id
    if session.scalar(select(MachineJoin.id).where(*pair, MachineJoin.undone_at.is_(None))) is not None:
        raise Conflict("the machines have been joined anew already")
    for one in (join.shop_id, join.to_shop_id):
        if session.scalar(_agreement(one)) is None:
            raise Conflict("both shops must consent that machines are joined; agree first")
    if shop_id != join.undone_shop_id and join.offered_shop_id in (None, shop_id):
        join.offered_shop_id = shop_id
        return False
    machine, to = session.get_one(Machine, join.machine_id), session.get_one(Machine, join.to_machine_id)
    session.add(_join(machine, to, said))
    _touch(session, machine, to, said)
    return True


def _join_of(session: Session, shop_id: int, public_id: Any) -> MachineJoin:
    mine = or_(MachineJoin.shop_id == shop_id, MachineJoin.to_shop_id == shop_id)
    join = session.scalar(select(MachineJoin).where(mine, MachineJoin.public_id == public_id))
    if join is None:
        raise NotFound("there is no such join")
    return join


def _undo(session: Session, join: MachineJoin, shop_id: int, why: str, said: Said) -> None:
    join.undone_by, join.undone_at, join.undone_why, join.undone_shop_id = said.by, said.now, why, shop_id
    one, other = session.get_one(Machine, join.machine_id), session.get_one(Machine, join.to_machine_id)
    _touch(session, one, other, said)


def _touch(session: Session, one: Machine, other: Machine, said: Said) -> None:
    keys = _components_of(session, [one.id, other.id])
    for shop_id in {one.shop_id, other.shop_id}:
        _mark_stale(session, shop_id, keys, said)


def _components_of(session: Session, machine_ids: Sequence[int]) -> list[int | None]:
    statement = select(JobLine.component_type_id).where(JobLine.machine_id.in_(machine_ids)).distinct()
    return list(session.scalars(statement))


def _mark_stale(session: Session, shop_id: int, components: Sequence[int | None], said: Said) -> None:
    session.flush()
    slugs = session.scalars(
        select(ComponentType.slug).where(ComponentType.id.in_([key for key in components if key is not None]))
    )
    records.mark_stale(session, session.get_one(Shop, shop_id), slugs, now=said.now)
