"""All machines as numpy columns: what their lines are placed by, and whether these have changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

import numpy as np
from sqlalchemy import String, cast, func, select
from sqlalchemy.orm import Session

from analytics.spells import Bools, Cell, Floats, Ints
from service.keyed import Standing, connection_of
from service.models import Machine, MachineFamily, MachineMake, MachineModel
from service.past import builds_then, family_known, reads_the_past, said_by

MOST_ASKED_BY_KEY = 500
_EPOCH = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class MachineColumns:
    """Machines in the order of their keys; columns (m,).

    `shop` and `model` are keys; `version` goes up with every change of what lines say; `new_day` is the ordinal of the
    day the calendar clock starts, nan where not known.
    """

    id: Ints
    shop: Ints
    model: Ints
    version: Ints
    new_day: Floats

    def __len__(self) -> int:
        return len(self.id)

    def pick(self, wanted: Bools) -> MachineColumns:
        """Some of them, (m,)."""
        return MachineColumns(*(getattr(self, f.name)[wanted] for f in fields(self)))


def _machines(known_at: datetime | None) -> Any:
    return (
        select(
            Machine.id, Machine.shop_id, Machine.model_id, Machine.version,
            # as the driver has it: SQLAlchemy would make a date object of each
            func.coalesce(cast(Machine.new_on, String), "").label("new_on"),
        )
        .where(*said_by(Machine.recorded_at, known_at))
        .order_by(Machine.id)
    )  # fmt: skip


_MACHINES = Standing(_machines)


def read_machines(
    session: Session, *, shop_ids: Sequence[int] | None = None, machine_ids: Sequence[int] | None = None
) -> MachineColumns:
    """Machines of some shops or of some keys (None: all) that were on record when the session reads as of."""
    known_at = reads_the_past(session)
    if shop_ids is None and machine_ids is None:
        rows = _MACHINES.rows(session, known_at)
    else:
        statement = _machines(known_at)
        if shop_ids is not None:
            statement = statement.where(Machine.shop_id.in_(shop_ids))
        if machine_ids is not None:
            statement = statement.where(Machine.id.in_(machine_ids))
        rows = connection_of(session).execute(statement).all()  # past the ORM, which takes longer than the database
    columns = list(zip(*rows, strict=True)) or [()] * 5
    ids, shops, models, versions = (np.array(column, dtype=np.int64) for column in columns[:4])
    since_1970 = np.array(columns[4], dtype="datetime64[D]")
    days = np.where(np.isnat(since_1970), np.nan, since_1970.astype(np.int64) + float(_EPOCH))
    for key, then in builds_then(session).items():
        days[ids == key] = np.nan if then.new_on is None else float(then.new_on.toordinal())
    return MachineColumns(ids, shops, models, versions, days)


def cells_of(session: Session, machines: MachineColumns) -> tuple[tuple[Cell, ...], Ints]:
    """The cells these machines are of, in the order they are met, and the cell of each machine."""
    models, first, which = np.unique(machines.model, return_index=True, return_inverse=True)
    statement = (
        select(MachineModel.id, MachineMake.name, MachineFamily.name, MachineModel.name)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .outerjoin(MachineFamily, family_known(reads_the_past(session)))
    )
    if len(models) <= MOST_ASKED_BY_KEY:
        statement = statement.where(MachineModel.id.in_(models.tolist()))
    cells = {model: Cell(make, family or "", name) for model, make, family, name in session.execute(statement)}
    of_model = np.zeros(len(models), dtype=np.int64)
    index: dict[Cell, int] = {}
    for at in np.argsort(first).tolist():
        of_model[at] = index.setdefault(cells[int(models[at])], len(index))
    return tuple(index), of_model[which]
