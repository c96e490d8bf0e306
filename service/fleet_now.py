"""A shop's machines in use and the parts now fitted, over columns; kept while what they rest on stays the same."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.fleet_parts import fleet_of_parts
from analytics.fleet_pieces import pick_machines
from analytics.fleet_types import Fleet
from service.errors import Conflict, InvalidInput
from service.inspections.serving import Snapshot, snapshot_for
from service.kept import Kept, database_key
from service.life_lines import lines_to_fit
from service.models import Machine, MachineJoin, Shop
from service.parts_now import FoundBad, MachinesNow, bad_row, in_use_on, parts_and_bad
from service.past import reads_the_past
from service.queries import line_versions
from service.said import Day, Number, say


@dataclass(frozen=True)
class FleetOnRecord:
    """The shop's machines in use, sorted for the outlook; `references` by machine.

    `bad` is what no line has put right since it was found bad, safety class A and the newest first.

    `as_of` is the day looked ahead from: the last one on record where that lies years back. `basis` names everything
    it was made from: answers made from it alone may be kept under it.
    """

    fleet: Fleet
    snapshot: Snapshot
    references: tuple[str, ...]
    bad: tuple[FoundBad, ...]
    notes: tuple[str, ...]
    as_of: date
    basis: tuple[Any, ...]
    last_seen: tuple[date, ...]  # by machine

    def found_bad(self) -> dict[str, list[dict[str, Any]]]:
        """What is to be put right, and what only a question is left of."""
        standing = [bad_row(b) for b in self.bad if b.stands(self.as_of)]
        return {"found_bad": standing, "found_bad_before": [bad_row(b) for b in self.bad if not b.stands(self.as_of)]}


_fleets: Kept[FleetOnRecord] = Kept(3)
_answers: Kept[dict[str, Any]] = Kept(24)
_fleets_then: Kept[FleetOnRecord] = Kept(1)  # so that looking back pushes none of today's out


def kept_answer(known: FleetOnRecord, question: Hashable, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """An answer that rests on the fleet and the question alone; it is not to be changed by who gets it."""
    return _answers.get((known.basis, question), make)


def fleet_on_record(session: Session, shop_id: int, *, as_of: date, pool_open: bool) -> FleetOnRecord:
    """Every machine of a shop with its parts as they are on a day, by its lines.

    Where the records ended so long ago that no machine would be left, it is looked ahead from their last day.

    Raises
    ------
    Conflict
        No machine can be used.
    InvalidInput
        The day lies before the last line on record: what came later would be known already.
    """
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    basis = (
        *database_key(session),
        session.scalar(select(Shop.public_id).where(Shop.id == shop_id)),
        snapshot.basis,
        reads_the_past(session),
        line_versions(session, shop_id, None),
        *session.execute(select(func.count(MachineJoin.id), func.count(MachineJoin.undone_at))).one(),
        as_of,
    )
    kept = _fleets if reads_the_past(session) is None else _fleets_then
    found = kept.get(basis, lambda: _read(session, shop_id, as_of, snapshot, basis))
    # what strip-downs taught and which counts may be shown is no part of it, and may have changed
    return replace(found, snapshot=snapshot)


def _read(session: Session, shop_id: int, as_of: date, snapshot: Snapshot, basis: tuple[Any, ...]) -> FleetOnRecord:
    lines = lines_to_fit(session, shop_ids=[shop_id])
    last = lines.data_through
    if not lines.line_count or last is None:
        raise Conflict("this shop has no dated lines on record: there is nothing ahead; import its job lines first")
    if as_of < last:
        raise InvalidInput(
            f"as_of lies before the last line on record, {last}; give that day or a later one", pointer="/as_of"
        )
    clocks = lines.on_clocks()
    notes = [snapshot.refit_note] if snapshot.outdated else []
    in_use = in_use_on(clocks, as_of)
    if not in_use.any() and as_of > last:
        notes.append(
            say(
                "The records end on %(last)s and no machine was seen in the three years before %(day)s: looked ahead"
                " from the last day on record. Import newer job lines to look ahead from today.",
                last=Day(last),
                day=Day(as_of),
            )
        )
        as_of = last
        in_use = in_use_on(clocks, as_of)
    if not in_use.any():
        raise Conflict(
            f"no machine of this shop is in use: each is written as gone, or was not seen in the three years before"
            f" {last}, or its cards cannot be placed; import newer job lines, or settle what is in doubt"
        )
    left = int((lines.kept.lines > 0).sum()) - int(in_use.sum())
    if left:
        notes.append(
            say("Not counted: machines that are gone, or were not seen for three years (%(many)s).", many=Number(left))
        )
    names = dict(session.execute(select(Machine.id, Machine.reference).where(Machine.shop_id == shop_id)).all())
    now = MachinesNow.of(pick_machines(clocks, in_use), lines, as_of)
    references = tuple(names[lines.machine_ids[m]] for m in now.clocks.machine.tolist())
    parts, bad = parts_and_bad(now, lines, snapshot, references)
    fleet = fleet_of_parts(snapshot.risks, lines.names.cells, now.cell, now.km_per_day, parts, now.positions(snapshot))
    seen = tuple(date.fromordinal(int(day)) for day in (now.clocks.new_day + now.clocks.end_days).tolist())
    return FleetOnRecord(fleet, snapshot, references, tuple(bad), tuple(notes), as_of, basis, seen)
