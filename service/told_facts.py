"""What shops say beside their cards, put into lines before life records are made of them.

Dates of the failure itself (a card's date is the day of the visit), a shop's rule to renew at a distance or an age (a
removal whose reason nobody wrote was then planned), engine hours where somebody declared what an hour is in km,
engines that were changed, and machines that two shops agreed are one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.engine_changes import with_engine_changes
from service.keyed import Standing
from service.lines_read import REASON_WORDS, LinesRead
from service.models import HoursAssumption, JobLine, LineDate, MachineJoin, ShopPolicy
from service.past import in_force, reads_the_past

_REASON = {word: code for code, word in enumerate(REASON_WORDS)}


_FAILURE_DATES = Standing(
    lambda known_at: (
        select(LineDate.line_id, LineDate.earliest, LineDate.latest)
        .where(LineDate.event == "failed", in_force(LineDate.said_at, LineDate.undone_at, known_at))
        .order_by(LineDate.id)
    )
)
_POLICIES = Standing(
    lambda known_at: select(
        ShopPolicy.shop_id, ShopPolicy.component_type_id, ShopPolicy.in_force_from, ShopPolicy.in_force_until
    ).where(in_force(ShopPolicy.said_at, ShopPolicy.undone_at, known_at))
)
_HOURS = Standing(
    lambda known_at: (
        select(HoursAssumption.machine_id, HoursAssumption.km_per_hour)
        .where(in_force(HoursAssumption.said_at, HoursAssumption.undone_at, known_at))
        .order_by(HoursAssumption.id)
    )
)
_JOINS = Standing(
    lambda known_at: (
        select(MachineJoin.machine_id, MachineJoin.to_machine_id)
        .where(in_force(MachineJoin.made_at, MachineJoin.undone_at, known_at))
        .order_by(MachineJoin.id)
    )
)


def with_facts(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    """Lines as they are to be understood with what was said beside the cards by a moment (None: now)."""
    return with_joins(with_own_facts(session, read, known_at), joins_in_force(session, known_at))


def with_own_facts(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    """The same without the joins: what concerns each machine by itself."""
    read = _with_failure_dates(session, read, known_at)
    read = _with_policies(session, read, known_at)
    read = _with_hours(session, read, known_at)
    return with_engine_changes(session, read, known_at)


def _with_failure_dates(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    rows = _FAILURE_DATES.rows(session, known_at)
    if not rows:
        return read
    earliest, latest = read.earliest.copy(), read.latest.copy()
    said = {line: (first.toordinal(), last.toordinal()) for line, first, last in rows}
    for k in np.flatnonzero(np.isin(read.origin, list(said))):
        earliest[k], latest[k] = said[int(read.origin[k])]
    return replace(read, earliest=earliest, latest=latest)


def _with_policies(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    policies = _POLICIES.rows(session, known_at)
    if not policies:
        return read
    shops = _shops_of(session, read)
    reason = read.reason.copy()
    for policy in policies:
        until = policy.in_force_until.toordinal() if policy.in_force_until else np.inf
        meant = (shops == policy.shop_id) & (read.component_type == policy.component_type_id)
        held = (read.earliest >= policy.in_force_from.toordinal()) & (read.latest <= until)
        reason[meant & held & (reason == _REASON["unknown"])] = _REASON["scheduled"]
    return replace(read, reason=reason)


def _shops_of(session: Session, read: LinesRead) -> Any:
    from service.models import Machine

    shop_of = dict(session.execute(select(Machine.id, Machine.shop_id)).all())
    return np.array([shop_of.get(machine, 0) for machine in read.machine.tolist()], dtype=np.int64)


def _with_hours(session: Session, read: LinesRead, known_at: datetime | None) -> LinesRead:
    """Distance out of engine hours: only where it was declared, and never over a reading of the odometer."""
    rows = _HOURS.rows(session, known_at)
    if not rows:
        return read
    rates = dict(rows)  # the last one said
    hours = dict(
        session.execute(
            select(JobLine.id, JobLine.engine_hours).where(
                JobLine.machine_id.in_(list(rates)), JobLine.engine_hours.is_not(None)
            )
        ).all()
    )
    km = read.odometer_km.copy()
    for k in np.flatnonzero(np.isin(read.id, list(hours)) & np.isnan(read.odometer_km)):
        km[k] = (hours[int(read.id[k])] or 0.0) * rates[int(read.machine[k])]
    return replace(read, odometer_km=km)


def joins_in_force(session: Session, known_at: datetime | None) -> dict[int, int]:
    """Machines that count as another one, and as which: the last of a chain of joins."""
    return {machine: other for machine, other in _JOINS.rows(session, known_at)}


def joined_to(joins: Mapping[int, int], there: Collection[int]) -> dict[int, int]:
    """Which machine each one counts as, among those that are there."""
    to = {machine: other for machine, other in joins.items() if machine in there and other in there}
    ends = {}
    for one in to:
        end = to[one]
        while end in to:
            end = to[end]
        ends[one] = end
    return ends


def counted_with(session: Session, machine_id: int) -> list[int]:
    """A machine and all that are joined with it, directly or through others, rising."""
    joins = joins_in_force(session, reads_the_past(session))
    found, added = {machine_id}, True
    while added:
        more = {one for pair in joins.items() if found & set(pair) for one in pair} - found
        found, added = found | more, bool(more)
    return sorted(found)


def with_joins(read: LinesRead, joins: Mapping[int, int]) -> LinesRead:
    """Lines of joined machines are of one machine, where all of them are read; jobs told twice then count once."""
    ends = joined_to(joins, set(np.unique(read.machine).tolist())) if joins else {}
    if not ends:
        return read
    machine = read.machine.copy()
    for one, end in ends.items():
        machine[read.machine == one] = end
    joined = replace(read, machine=machine)
    last = np.where(joined.id < 0, np.iinfo(np.int64).max, joined.origin)
    return joined.take(np.lexsort((last, joined.machine)))
