"""Look at whole histories again after lines on record were corrected: raise, settle and mark what follows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.imports.dates import Span
from service.imports.known import ReadingKey, read_families, read_histories, read_machines
from service.imports.machines import Fleet
from service.imports.plan import Plan, plan_history
from service.imports.writing import Writer
from service.models import JobLine, Machine, Shop
from service.vocabulary import JOB_LINE_COLUMNS

_ODOMETER, _UNIT = JOB_LINE_COLUMNS.index("odometer"), JOB_LINE_COLUMNS.index("unit")


def refresh_machines(
    session: Session, shop: Shop, machine_ids: Sequence[int], replaced: Iterable[JobLine], *, now: datetime, today: date
) -> None:
    """Doubts, readings and stale estimates of some machines, after `replaced` lines went out of force."""
    machine_ids = sorted(set(machine_ids))
    references = session.scalars(select(Machine.reference).where(Machine.id.in_(machine_ids))).all()
    fleet = Fleet(read_machines(session, shop, references), read_families(session))
    plan = Plan(fleet)
    histories = read_histories(session, machine_ids)
    gone: dict[int, set[ReadingKey]] = {}
    for line in replaced:
        gone.setdefault(line.machine_id, set()).add(_reading_of(line))
    for record in fleet.machines.values():
        assert record.key is not None
        history = histories[record.key]
        plan_history(plan, record, history, [], {}, today)
        standing = {(day, h.reading, h.unit) for h in history.lines for day in [_day(h.earliest, h.latest)]}
        for key in gone.get(record.key, set()) - standing:
            if key in history.readings:
                plan.marked_readings[history.readings[key][0]] = True
        # A date or a reading moves every part of its machine on the clocks.
        plan.touched_components.update(c for c in history.components.values() if c is not None)
    plan.touched_components.update(line.component_type_id for line in replaced if line.component_type_id is not None)
    plan.touched_lines.update(line.id for line in replaced)
    Writer(session, shop, now).write_changes(plan, machine_ids)


def _reading_of(line: JobLine) -> ReadingKey:
    return (
        _day(line.date_earliest, line.date_latest),
        line.as_written[_ODOMETER].strip(),
        line.as_written[_UNIT].strip(),
    )


def _day(earliest: date | None, latest: date | None) -> date | None:
    return None if earliest is None or latest is None else Span(earliest, latest).middle
