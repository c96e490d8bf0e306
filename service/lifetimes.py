"""From the database to the analytics' input: lines, machines, what each model carries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from sqlalchemy import or_, select
from sqlalchemy.orm import Session, aliased

from analytics.histories import (
    ComponentUnits,
    Lines,
    Machines,
    Names,
    Placed,
    life_records,
    machine_slices,
    place_machine,
    positions_in_use,
)
from analytics.spells import Cell, Quality, Spells
from service.models import (
    ComponentType,
    Doubt,
    JobLine,
    Machine,
    MachineFamily,
    MachineMake,
    MachineModel,
    ModelLayout,
    PartChange,
    Shop,
)
from service.past import read_links, reads_the_past
from service.vocabulary import ASKING_KINDS

SWAPPED = "swapped"
QUALITY_CODES = {q.name.lower(): int(q) for q in Quality}


@dataclass(frozen=True)
class Dataset:
    """Everything the life records are made from, plus the keys to find the way back."""

    lines: Lines
    machines: Machines
    machine_ids: tuple[int, ...]
    line_ids: tuple[int, ...]
    components: tuple[ComponentUnits, ...]
    names: Names
    data_through: date | None

    def life_records(self) -> dict[str, Spells]:
        """Spells of every component that any line names."""
        return life_records(self.lines, self.machines, self.components, self.names)

    def placed(self) -> Iterable[tuple[int, slice, Placed | None]]:
        """Every machine (by index) with its rows and its lines put on the machine's clocks."""
        for machine, rows in machine_slices(self.lines.machine):
            yield machine, rows, place_machine(self.lines, rows, float(self.machines.new_day[machine]))


def read_dataset(
    session: Session,
    *,
    shop_ids: Sequence[int] | None = None,
    machine_ids: Sequence[int] | None = None,
    known_at: datetime | None = None,
) -> Dataset:
    """Lines of some shops or machines (None: all), as known at a moment (None: now, or as `service.past` says)."""
    machine_rows = session.execute(_machines(shop_ids, machine_ids)).all()
    machine_index = {row.id: k for k, row in enumerate(machine_rows)}
    cells, cell_of = _cells(machine_rows)
    shops = session.execute(select(Shop.id, Shop.name).order_by(Shop.id)).all()
    shop_index = {row.id: k for k, row in enumerate(shops)}
    known_at = known_at or reads_the_past(session)
    linked = read_links(session, shop_ids, known_at)
    all_rows = session.execute(_lines(shop_ids, machine_ids, known_at)).all()
    moved = _moved_units(all_rows, linked.swaps) if linked.swaps else {}
    line_rows = _in_order_written(all_rows, linked.removed)
    types = session.execute(select(ComponentType.id, ComponentType.slug, ComponentType.document)).all()
    component_index = {row.id: k for k, row in enumerate(types)}
    layouts = _layouts(session)
    positions = _position_names(line_rows, types, layouts)
    lines = _line_columns(
        line_rows,
        machine_index,
        component_index,
        {name: k for k, name in enumerate(positions)},
        doubtful=None if known_at is None else _doubtful_at(session, shop_ids, known_at),
        two_events=linked.two_events,
        moved=moved,
        swapped=frozenset(line for pair in linked.swaps for line in pair),
    )
    machines = Machines(
        cell=np.array([cell_of[row.id] for row in machine_rows], dtype=np.int64),
        shop=np.array([shop_index[row.shop_id] for row in machine_rows], dtype=np.int64),
        new_day=np.array([_ordinal(row.new_on) for row in machine_rows], dtype=float),
    )
    names = Names(cells, positions, tuple(row.name for row in shops))
    changes = _part_changes(session, cells)
    units = [
        _units(k, row.slug, row.document, lines, machines, names, layouts, changes.get(row.slug, {}))
        for k, row in enumerate(types)
    ]
    dates = [
        row.date_latest
        for row, doubt in zip(line_rows, lines.in_doubt, strict=True)
        if row.date_latest is not None and not doubt
    ]
    return Dataset(
        lines,
        machines,
        tuple(machine_index),
        tuple(row.id for row in line_rows),
        tuple(units),
        names,
        max(dates, default=None),
    )


def _machines(shop_ids: Sequence[int] | None, machine_ids: Sequence[int] | None) -> Any:
    statement: Any = (
        select(
            Machine.id,
            Machine.shop_id,
            Machine.new_on,
            MachineMake.name.label("make"),
            MachineFamily.name.label("family"),
            MachineModel.name.label("model"),
        )
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .outerjoin(MachineFamily, MachineModel.family_id == MachineFamily.id)
        .order_by(Machine.id)
    )
    if shop_ids is not None:
        statement = statement.where(Machine.shop_id.in_(shop_ids))
    if machine_ids is not None:
        statement = statement.where(Machine.id.in_(machine_ids))
    return statement


def _lines(shop_ids: Sequence[int] | None, machine_ids: Sequence[int] | None, known_at: datetime | None) -> Any:
    statement: Any = select(
        JobLine.id,
        JobLine.machine_id,
        JobLine.card_id,
        JobLine.date_earliest,
        JobLine.date_latest,
        JobLine.odometer_km,
        JobLine.component_type_id,
        JobLine.position,
        JobLine.action,
        JobLine.reason,
        JobLine.source,
        JobLine.quality,
        JobLine.in_doubt,
        JobLine.first_id,
    ).order_by(JobLine.machine_id, JobLine.id)
    if shop_ids is not None:
        statement = statement.where(JobLine.shop_id.in_(shop_ids))
    if machine_ids is not None:
        statement = statement.where(JobLine.machine_id.in_(machine_ids))
    if known_at is None:
        return statement.where(JobLine.superseded_by_id.is_(None))
    later = aliased(JobLine)
    return (
        statement.outerjoin(later, JobLine.superseded_by_id == later.id)
        .where(JobLine.recorded_at <= known_at)
        .where(or_(later.id.is_(None), later.recorded_at > known_at))
    )


def _in_order_written(rows: Sequence[Any], removed: frozenset[int]) -> Sequence[Any]:
    """Corrections in the place of what they correct; lines that stand for nothing left out."""
    if removed:
        rows = [row for row in rows if (row.first_id or row.id) not in removed]
    if any(row.first_id is not None for row in rows):
        return sorted(rows, key=lambda row: (row.machine_id, row.first_id or row.id))
    return rows


def _moved_units(rows: Sequence[Any], swaps: Sequence[tuple[int, int]]) -> dict[int, str]:
    """Places of lines from before a swap, by line: where their unit is now, so that it keeps its age."""
    by_origin = {row.first_id or row.id: row for row in rows}
    pairs = [(by_origin[a], by_origin[b]) for a, b in swaps if a in by_origin and b in by_origin]
    moved: dict[int, str] = {}
    for one, two in sorted(pairs, key=lambda pair: _when(pair[0])):
        exchanged = {one.position: two.position, two.position: one.position}
        for row in rows:
            same_part = row.machine_id == one.machine_id and row.component_type_id == one.component_type_id
            place = moved.get(row.id, row.position)
            if same_part and place in exchanged and _when(row) < _when(one):
                moved[row.id] = exchanged[place]
    return moved


def _when(row: Any) -> tuple[date, int]:
    """For sorting: undated lines tell of before."""
    return row.date_latest or date.min, row.first_id or row.id


def _doubtful_at(session: Session, shop_ids: Sequence[int] | None, known_at: datetime) -> set[int]:
    """Lines about which something was open at a moment."""
    statement = select(Doubt.job_line_id).where(
        Doubt.raised_at <= known_at,
        or_(Doubt.settled_at.is_(None), Doubt.settled_at > known_at),
        Doubt.kind.not_in(ASKING_KINDS),
    )
    if shop_ids is not None:
        statement = statement.where(Doubt.shop_id.in_(shop_ids))
    return set(session.scalars(statement))


def _cells(machine_rows: Sequence[Any]) -> tuple[tuple[Cell, ...], dict[int, int]]:
    index: dict[Cell, int] = {}
    cell_of = {}
    for row in machine_rows:
        cell = Cell(row.make, row.family or "", row.model)
        cell_of[row.id] = index.setdefault(cell, len(index))
    return tuple(index), cell_of


def _line_columns(
    rows: Sequence[Any],
    machine_index: Mapping[int, int],
    component_index: Mapping[int, int],
    position_index: Mapping[str, int],
    *,
    doubtful: set[int] | None,
    two_events: frozenset[int],
    moved: Mapping[int, str],
    swapped: frozenset[int],
) -> Lines:
    return Lines(
        machine=np.array([machine_index[row.machine_id] for row in rows], dtype=np.int64),
        card=np.array([row.card_id for row in rows], dtype=np.int64),
        day=np.array([(_ordinal(row.date_earliest) + _ordinal(row.date_latest)) / 2 for row in rows], dtype=float),
        reading_km=np.array([np.nan if row.odometer_km is None else row.odometer_km for row in rows], dtype=float),
        component=np.array([component_index.get(row.component_type_id, -1) for row in rows], dtype=np.int64),
        position=np.array([position_index.get(moved.get(row.id, row.position), -1) for row in rows], dtype=np.int64),
        # A swap names the places and is no event of either unit.
        action=[SWAPPED if swapped and (row.first_id or row.id) in swapped else row.action for row in rows],
        reason=[row.reason for row in rows],
        source=[row.source for row in rows],
        quality=np.array([QUALITY_CODES[row.quality] for row in rows], dtype=np.int64),
        in_doubt=np.array(
            [row.in_doubt if doubtful is None else row.id in doubtful for row in rows],
            dtype=bool,
        ),
        separate=np.array([(row.first_id or row.id) in two_events for row in rows], dtype=bool) if two_events else None,
    )


def _ordinal(day: date | None) -> float:
    return float("nan") if day is None else float(day.toordinal())


def _layouts(session: Session) -> dict[tuple[str, str], dict[str, Any]]:
    return {(row.make, row.model): row.document for row in session.scalars(select(ModelLayout))}


def _position_names(rows: Sequence[Any], types: Sequence[Any], layouts: Mapping[Any, Any]) -> tuple[str, ...]:
    names = {row.position for row in rows if row.position}
    for row in types:
        names.update(row.document["positions"])
    for layout in layouts.values():
        names.update(layout["cylinders"], layout["banks"])
    return tuple(sorted(names))


def _part_changes(session: Session, cells: Sequence[Cell]) -> dict[str, dict[int, tuple[float, ...]]]:
    """Days from which a superseding part was fitted, by component and cell."""
    changes: dict[str, dict[int, tuple[float, ...]]] = {}
    by_model = {(cell.make, cell.model): k for k, cell in enumerate(cells)}
    for row in session.scalars(select(PartChange).order_by(PartChange.built_from)):
        cell = by_model.get((row.make, row.model))
        if cell is not None:
            of_component = changes.setdefault(row.component, {})
            day = float(date.fromisoformat(row.built_from + "-01").toordinal())
            of_component[cell] = (*of_component.get(cell, ()), day)
    return changes


def _units(
    index: int,
    slug: str,
    document: Mapping[str, Any],
    lines: Lines,
    machines: Machines,
    names: Names,
    layouts: Mapping[tuple[str, str], Mapping[str, Any]],
    changes: Mapping[int, tuple[float, ...]],
) -> ComponentUnits:
    families = [f"{cell.make}/{cell.family or cell.model}" for cell in names.cells]
    line_cells = machines.cell[lines.machine] if len(lines.machine) else lines.machine
    positions = positions_in_use(
        lines.component, lines.position, line_cells, families, index, fixed=document["position_rule"] == "fixed"
    )
    absent: set[int] = set()
    for k, cell in enumerate(names.cells):
        for row in layouts.get((cell.make, cell.model), {}).get("absent", ()):
            if row["component"] == slug:
                absent.update(_machines_between(machines, k, row["from_year"], row["to_year"]))
    return ComponentUnits(index, slug, bool(document["shown_by_running"]), positions, changes, frozenset(absent))


def _machines_between(machines: Machines, cell: int, from_year: int | None, to_year: int | None) -> set[int]:
    """Machines of a cell built within (inclusive) years; an unknown build year counts as inside only an open span."""
    found = set()
    for machine in np.flatnonzero(machines.cell == cell):
        day = machines.new_day[machine]
        if np.isnan(day):
            inside = from_year is None and to_year is None
        else:
            year = date.fromordinal(int(day)).year
            inside = (from_year is None or year >= from_year) and (to_year is None or year <= to_year)
        if inside:
            found.add(int(machine))
    return found
