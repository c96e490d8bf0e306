"""Between which days a machine can have been built, from what is written of it: no more than that follows from it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from analytics.spells import Cell, Floats, Ints
from service.machine_columns import MachineColumns
from service.models import Machine
from service.past import builds_then

# A machine can be run in, shown or repaired a year before its first registration; most are sold within half a year of
# their build (both invented).
BEFORE_REGISTRATION, UNSOLD = timedelta(days=365), timedelta(days=183)
# Model years begin in the summer before (common practice, no source).
FIRST_MONTH_OF_MODEL_YEAR = 7
_NEAR = timedelta(days=731)  # of a change: the widest span there is, with room to spare

Span = tuple[float, float]
NOTHING: Span = (float("nan"), float("nan"))


def build_days(
    built: str | None, first_registered: str | None, model_year: int | None, layout: Mapping[str, Any] | None = None
) -> Span:
    """Ordinals of the first and the last day it is likely to have been built on; nan where nothing is known.

    Dates are ISO 8601 days, months or years. Where only the model is known it is one of the years its layout names.
    """
    if built:
        return _days_of(built)
    if first_registered:
        first, last = _days_of(first_registered)
        return first - UNSOLD.days, last
    if model_year:
        return _model_years(model_year, model_year)
    return _model_years(layout["built_from"], layout["built_to"]) if layout else NOTHING


def _days_of(text: str) -> Span:
    written = np.datetime64(text)  # of the unit that is written: a day, a month, a year
    return _ordinal(written), _ordinal(written + 1) - 1.0


def _model_years(first: int, last: int) -> Span:
    begin = np.datetime64(f"{first - 1:04d}-{FIRST_MONTH_OF_MODEL_YEAR:02d}")
    return _ordinal(begin), _ordinal(np.datetime64(f"{last + 1:04d}")) - 1.0


def _ordinal(moment: np.datetime64) -> float:
    return float(moment.astype("datetime64[D]").item().toordinal())


def built_between(
    session: Session,
    machines: MachineColumns,
    cells: Sequence[Cell],
    cell_of: Ints,
    changes: Mapping[str, Mapping[int, Sequence[float]]],
    layouts: Mapping[tuple[str, str], Mapping[str, Any]],
) -> tuple[Floats, Floats] | tuple[None, None]:
    """Columns (m,) of first and last day, for machines of which it is not known whether a change of a part came first.

    All others stay nan; no columns where that is all of them. `changes` are days by component and cell.
    """
    near: dict[int, set[float]] = {}
    for of_cell in changes.values():
        for cell, days in of_cell.items():
            near.setdefault(cell, set()).update(days)
    asked, layout_of, of_model = [], {}, {}
    for cell, of_parts in near.items():
        for model in np.unique(machines.model[cell_of == cell]).tolist():
            layout_of[model] = layouts.get((cells[cell].make, cells[cell].model))
            of_model[model] = of_parts
            asked.append(and_(Machine.model_id == model, _close_to(of_parts)))
    if not asked:
        return None, None
    statement = (
        select(Machine.id, Machine.model_id, Machine.built, Machine.first_registered, Machine.model_year)
        .where(or_(*asked), or_(Machine.built.is_(None), func.length(Machine.built) < len("2013-09")))
        .where(Machine.shop_id.in_(np.unique(machines.shop).tolist()))
    )
    first, last = np.full(len(machines), np.nan), np.full(len(machines), np.nan)
    place = {key: at for at, key in enumerate(machines.id.tolist())}
    before = builds_then(session)
    rows: list[Any] = [row for row in session.execute(statement) if row[0] not in before]
    for key, then in before.items():
        model = int(machines.model[place[key]]) if key in place else 0
        if model in of_model and len(then.built or "") < len("2013-09") and _is_close_to(then.new_on, of_model[model]):
            rows.append((key, model, then.built, then.first_registered, then.model_year))
    for key, model, built, first_registered, model_year in rows:
        if key in place:
            span = build_days(built, first_registered, model_year, layout_of[model])
            first[place[key]], last[place[key]] = span
    return (None, None) if np.isnan(first).all() else (first, last)


def _close_to(days: Iterable[float]) -> ColumnElement[bool]:
    """Machines whose clock starts near one of some days, or nobody knows when."""
    return or_(Machine.new_on.is_(None), *(Machine.new_on.between(*span) for span in _spans_near(days)))


def _is_close_to(new_on: date | None, days: Iterable[float]) -> bool:
    """The same of one machine's first day."""
    return new_on is None or any(first <= new_on <= last for first, last in _spans_near(days))


def _spans_near(days: Iterable[float]) -> list[tuple[date, date]]:
    return [(date.fromordinal(int(day)) - _NEAR, date.fromordinal(int(day)) + _NEAR) for day in days]
