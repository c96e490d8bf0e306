"""Machines that two shops have on record and agreed to count as one: joined, taken apart, joined again.

Each join touches another shop's records, so that each is in the access log of both.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.errors import Conflict, NotFound
from service.facts import Said, components_of, mark_stale
from service.imports.frame_numbers import read_frame_number
from service.models import JoinAgreement, Machine, MachineJoin
from service.people.access_log import Actor, note_access


def agree_to_join(session: Session, shop_id: int, said: Said) -> int:
    """Consent that machines are joined with the same ones of shops that consent too; returns how many were."""
    if session.scalar(_agreement(shop_id)) is None:
        session.add(JoinAgreement(shop_id=shop_id, agreed_by=said.by, agreed_at=said.now))
        session.flush()
    return join_machines(session, shop_id, said)


def end_agreement(session: Session, shop_id: int, why: str, said: Said) -> int:
    """Take the consent back: every join of the shop's machines is undone; returns how many were."""
    for agreement in session.scalars(_agreement(shop_id)):
        agreement.ended_by, agreement.ended_at = said.by, said.now
    joins = session.scalars(_joins_of(shop_id)).all()
    for join in joins:
        _undo(session, join, shop_id, why, said)
    for touched, count in sorted(Counter(_other_shop(join, shop_id) for join in joins).items()):
        _note(session, "machines taken apart", shop_id, touched, count, said)
    return len(joins)


def _agreement(shop_id: int) -> Any:
    return select(JoinAgreement).where(JoinAgreement.shop_id == shop_id, JoinAgreement.ended_at.is_(None))


def join_machines(session: Session, shop_id: int, said: Said) -> int:
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
    touched: Counter[int] = Counter()
    made = 0
    for first, *others in same.values():
        for other in others:
            if other.shop_id != first.shop_id and (other.id, first.id) not in known:
                session.add(_join(other, first, said))
                made += 1
                touched.update((other.shop_id, first.shop_id))
                _touch(session, other, first, said)
    session.flush()
    for one in sorted(touched.keys() - {shop_id}) or [shop_id][:made]:
        _note(session, "machines joined", shop_id, one, touched[one], said)
    return made


def _note(session: Session, action: str, shop_id: int, touched: int, count: int, said: Said) -> None:
    """An entry that the shop which acts and the one it touches both find in their logs; neither learns the other."""
    detail = f"{count} machine{'s' if count > 1 else ''} with the same whole frame number"
    note_access(session, Actor(shop_id, said.by), action, shop_id=touched, detail=detail, now=said.now)


def _other_shop(join: MachineJoin, shop_id: int) -> int:
    return join.to_shop_id if join.shop_id == shop_id else join.shop_id


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
    _note(session, "machines taken apart", shop_id, _other_shop(join, shop_id), 1, said)


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
    _note(session, "machines joined", shop_id, _other_shop(join, shop_id), 1, said)
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
    keys = components_of(session, [one.id, other.id])
    for shop_id in {one.shop_id, other.shop_id}:
        mark_stale(session, shop_id, keys, said)
