"""From the database to the analytics' input: lines, machines, what each model carries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

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
from analytics.part_issues import BY_CAMPAIGN_ALONE
from analytics.spells import Bools, Cell, Ints, Spells
from service.build_days import built_between
from service.engine_changes import engine_changes, engine_parts
from service.keyed import Standing
from service.line_reader import read_lines, with_doubts_then
from service.lines_read import ACTION_WORDS, REASON_WORDS, SOURCE_WORDS, LinesRead
from service.machine_columns import MachineColumns, cells_of, read_machines
from service.models import (
    ComponentType,
    ModelLayout,
    PartChange,
    Shop,
)
from service.past import Links, read_links, reads_the_past
from service.told_facts import with_facts


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

    @property
    def line_count(self) -> int:
        """Lines in force; what stands for an engine change is none."""
        return sum(line_id > 0 for line_id in self.line_ids)

    @property
    def lines_in_doubt(self) -> int:
        """Lines that no fit uses because something about them is open."""
        return int(np.sum(self.lines.in_doubt & (np.array(self.line_ids, dtype=np.int64) > 0)))

    def life_records(self, only: Collection[str] | None = None) -> dict[str, Spells]:
        """Spells of every component that any line names, or of some of them."""
        wanted = [u for u in self.components if only is None or u.slug in only]
        return life_records(self.lines, self.machines, wanted, self.names)

    def placed(self) -> Iterable[tuple[int, slice, Placed | None]]:
        """Every machine (by index) with its rows and its lines put on the machine's clocks."""
        for machine, rows in machine_slices(self.lines.machine):
            yield machine, rows, place_machine(self.lines, rows, float(self.machines.new_day[machine]))

    def distances(self, rows: slice, placed: Placed) -> list[tuple[float, float]]:
        """A machine's distance by day (ordinal, km since new) as its readings that stand place it."""
        order = list(placed.order)
        days, km = self.lines.day[rows][order], placed.clocks.km
        usable = ~(np.isnan(days) | np.isnan(km)) & ~self.lines.in_doubt[rows][order]
        return sorted({(float(day), float(at)) for day, at in zip(days[usable], km[usable], strict=True)})


def read_dataset(
    session: Session,
    *,
    shop_ids: Sequence[int] | None = None,
    machine_ids: Sequence[int] | None = None,
    known_at: datetime | None = None,
) -> Dataset:
    """Lines of some shops or machines (None: all), as known at a moment (None: now, or as `service.past` says).

    With a moment given, machines written down later are there without lines: both datasets of a backtest count alike.
    """
    machines = read_machines(session, shop_ids=shop_ids, machine_ids=machine_ids)
    known_at = known_at or reads_the_past(session)
    linked = read_links(session, shop_ids, known_at)
    read = read_lines(session, shop_ids=shop_ids, machine_ids=machine_ids, known_at=known_at)
    if known_at is not None:
        read = with_doubts_then(session, read, shop_ids, known_at)
    told = apply_links(_of_named_parts(with_facts(session, read, known_at)), linked)
    world = read_world(session, machines, told.lines.names_used(), known_at=known_at)
    lines = _lines_of(told, machines.id, world)
    campaign = (np.asarray(lines.action) == "renewed") & (np.asarray(lines.reason) == "campaign") & ~lines.in_doubt
    world = world.with_campaigns(lines.component[campaign], lines.machine[campaign])
    latest = told.lines.latest[~told.lines.in_doubt & ~np.isnan(told.lines.latest)]
    return Dataset(
        lines,
        world.machines,
        tuple(machines.id.tolist()),
        tuple(told.lines.id.tolist()),
        world.units(lines.component, lines.position, lines.machine),
        world.names,
        date.fromordinal(int(latest.max())) if len(latest) else None,
    )


def _of_named_parts(read: LinesRead) -> LinesRead:
    """A change of engine alone is no word about parts that no line ever named."""
    real = read.id > 0
    return read if real.all() else read.take(real | np.isin(read.component_type, read.component_type[real]))


class ToldLines(NamedTuple):
    """Lines with the links between them followed; `separate` as in `analytics.histories.Lines`."""

    lines: LinesRead
    separate: Bools


def apply_links(read: LinesRead, linked: Links) -> ToldLines:
    """Leave out lines that stand for nothing, let units keep their age through a swap, mark what is two events."""
    if linked.removed:
        read = read.take(~np.isin(read.origin, list(linked.removed)))
    if linked.swaps:
        read = _swapped(read, linked.swaps)
    return ToldLines(read, np.isin(read.origin, list(linked.two_events)))


def _swapped(read: LinesRead, swaps: Sequence[tuple[int, int]]) -> LinesRead:
    """Lines from before a swap go to where their unit is now; the swap itself is no event of either unit."""
    row_of = {int(read.origin[k]): int(k) for k in np.flatnonzero(np.isin(read.origin, np.array(swaps).ravel()))}
    pairs = [(row_of[a], row_of[b]) for a, b in swaps if a in row_of and b in row_of]
    when = np.nan_to_num(read.latest, nan=0.0)  # undated lines tell of before
    position, action = read.position.copy(), read.action.copy()
    for one, two in sorted(pairs, key=lambda pair: (when[pair[0]], read.origin[pair[0]])):
        before = (when < when[one]) | ((when == when[one]) & (read.origin < read.origin[one]))
        mine = (read.machine == read.machine[one]) & (read.component_type == read.component_type[one]) & before
        first, second = read.position[one], read.position[two]
        position[mine] = np.select([position[mine] == first, position[mine] == second], [second, first], position[mine])
    action[np.isin(read.origin, np.array(swaps).ravel())] = len(ACTION_WORDS) - 1
    return replace(read, position=position, action=action)


def _lines_of(told: ToldLines, machine_ids: Ints, world: World) -> Lines:
    read = told.lines
    return Lines(
        machine=np.searchsorted(machine_ids, read.machine),
        card=read.card,
        day=(read.earliest + read.latest) / 2,
        reading_km=read.odometer_km,
        component=world.component_index(read.component_type),
        position=world.position_index(read.position, read.names),
        action=ACTION_WORDS[read.action],
        reason=REASON_WORDS[read.reason],
        source=SOURCE_WORDS[read.source],
        quality=read.quality.astype(np.int64),
        in_doubt=read.in_doubt,
        separate=told.separate if told.separate.any() else None,
    )


# Fewer machines of a model than this speak of something else than a campaign of its maker (own choice).
CAMPAIGN_MACHINES = 10


@dataclass(frozen=True)
class World:
    """Machines, the models they are of, and what the catalogue says of each model."""

    machines: Machines
    names: Names
    types: tuple[Any, ...]  # id, slug, document of every component
    layouts: Mapping[tuple[str, str], Mapping[str, Any]]
    changes: Mapping[str, Mapping[int, tuple[float, ...]]]
    # Machines (indices) with an engine of another family, and the parts that follow an engine.
    foreign: frozenset[int] = frozenset()
    engine_parts: frozenset[str] = frozenset()

    def component_index(self, component_type: Ints) -> Ints:
        """Places of components among `types`, -1 for 0 (none)."""
        place = np.full(max((row.id for row in self.types), default=0) + 1, -1, dtype=np.int64)
        place[[row.id for row in self.types]] = np.arange(len(self.types))
        place[0] = -1
        return place[component_type]

    def position_index(self, position: Ints, names: Sequence[str]) -> Ints:
        """Places of positions among the world's names, from their places among `names`."""
        known = {name: k for k, name in enumerate(self.names.positions)}
        return np.array([*(known[name] for name in names), -1], dtype=np.int64)[position]

    def units(self, component: Ints, position: Ints, machine: Ints) -> tuple[ComponentUnits, ...]:
        """What each component looks like on each model, from the positions that lines (indices, -1: none) name."""
        families = [f"{cell.make}/{cell.family or cell.model}" for cell in self.names.cells]
        named = position >= 0
        wide, cells = len(self.names.positions) + 1, len(self.names.cells)
        told = np.unique((component[named] * cells + self.machines.cell[machine[named]]) * wide + position[named])
        component, (cell, position) = told // (wide * max(cells, 1)), (told // wide % max(cells, 1), told % wide)
        return tuple(
            ComponentUnits(
                k,
                row.slug,
                bool(row.document["shown_by_running"]),
                self._as_built(
                    row.slug,
                    positions_in_use(
                        component, position, cell, families, k, fixed=row.document["position_rule"] == "fixed"
                    ),
                    {(int(c), int(p)) for c, p in zip(cell[component == k], position[component == k], strict=True)},
                ),
                self.changes.get(row.slug, {}),
                self._absent_on(row.slug),
            )
            for k, row in enumerate(self.types)
        )

    def _as_built(
        self, slug: str, positions: Sequence[tuple[int, ...]], told: Set[tuple[int, int]]
    ) -> list[tuple[int, ...]]:
        """Positions by cell, without places that a model's layout does not have and no line of that model names.

        A place in use on some models would else be watched on all, and never seen to fail where it does not exist.
        """
        index = {name: p for p, name in enumerate(self.names.positions)}
        out = []
        for c, (cell, used) in enumerate(zip(self.names.cells, positions, strict=True)):
            rows = self.layouts.get((cell.make, cell.model), {}).get("positions", ())
            built = {index.get(name) for row in rows if row["component"] == slug for name in row["positions"]}
            kept = tuple(p for p in used if p in built or (c, p) in told)
            out.append(kept if built and kept else used)
        return out

    def with_campaigns(self, component: Ints, machine: Ints) -> World:
        """The same, where what a campaign put on is an issue of its own; lines by component and machine (indices).

        Models whose layout names a change have their issues already.
        """
        told = np.unique(np.column_stack([component, machine])[component >= 0], axis=0)
        changes = {slug: dict(of_cell) for slug, of_cell in self.changes.items()}
        concerned = Counter(zip(told[:, 0].tolist(), self.machines.cell[told[:, 1]].tolist(), strict=True))
        for (k, cell), machines in concerned.items():
            if machines >= CAMPAIGN_MACHINES:
                changes.setdefault(self.types[k].slug, {}).setdefault(cell, BY_CAMPAIGN_ALONE)
        return replace(self, changes=changes)

    def _absent_on(self, slug: str) -> frozenset[int]:
        absent: set[int] = set(self.foreign) if slug in self.engine_parts else set()
        for k, cell in enumerate(self.names.cells):
            for row in self.layouts.get((cell.make, cell.model), {}).get("absent", ()):
                if row["component"] == slug:
                    absent.update(_machines_between(self.machines, k, row["from_year"], row["to_year"]))
        return frozenset(absent)


def same_world(one: World, two: World) -> bool:
    """Whether two worlds are the same but for their lines."""
    plain = ("names", "types", "layouts", "changes", "foreign", "engine_parts")
    return all(getattr(one, name) == getattr(two, name) for name in plain) and one.machines.same_as(two.machines)


_SHOPS = Standing(lambda _: select(Shop.id, Shop.name).order_by(Shop.id))
_TYPES = Standing(lambda _: select(ComponentType.id, ComponentType.slug, ComponentType.document))
_LAYOUTS = Standing(lambda _: select(ModelLayout.make, ModelLayout.model, ModelLayout.document))
_PART_CHANGES = Standing(
    lambda _: select(PartChange.make, PartChange.model, PartChange.component, PartChange.built_from).order_by(
        PartChange.built_from
    )
)


def read_world(
    session: Session, read: MachineColumns, named: Iterable[str] = (), *, known_at: datetime | None = None
) -> World:
    """Everything besides the lines; `named` are names of positions that lines use."""
    cells, cell_of = cells_of(session, read)
    shops, types = _SHOPS.rows(session), _TYPES.rows(session)
    layouts = _layouts(session)
    shop = np.searchsorted(np.array([row.id for row in shops], dtype=np.int64), read.shop)
    changes = _part_changes(session, cells)
    machines = Machines(cell_of, shop, read.new_day, *built_between(session, read, cells, cell_of, changes, layouts))
    names = Names(cells, _position_names(named, types, layouts), tuple(row.name for row in shops))
    foreign = {change.machine_id for change in engine_changes(session, known_at) if change.foreign}
    return World(
        machines,
        names,
        tuple(types),
        layouts,
        changes,
        frozenset(np.flatnonzero(np.isin(read.id, list(foreign))).tolist()) if foreign else frozenset(),
        frozenset(engine_parts(session).values()) if foreign else frozenset(),
    )


def _layouts(session: Session) -> dict[tuple[str, str], dict[str, Any]]:
    return {(make, model): document for make, model, document in _LAYOUTS.rows(session)}


def _position_names(named: Iterable[str], types: Sequence[Any], layouts: Mapping[Any, Any]) -> tuple[str, ...]:
    names = set(named)
    for row in types:
        names.update(row.document["positions"])
    for layout in layouts.values():
        names.update(layout["cylinders"], layout["banks"])
    return tuple(sorted(names))


def _part_changes(session: Session, cells: Sequence[Cell]) -> dict[str, dict[int, tuple[float, ...]]]:
    """Days from which a superseding part was fitted, by component and cell."""
    changes: dict[str, dict[int, tuple[float, ...]]] = {}
    by_model = {(cell.make, cell.model): k for k, cell in enumerate(cells)}
    for row in _PART_CHANGES.rows(session):
        cell = by_model.get((row.make, row.model))
        if cell is not None:
            of_component = changes.setdefault(row.component, {})
            day = float(date.fromisoformat(row.built_from + "-01").toordinal())
            of_component[cell] = (*of_component.get(cell, ()), day)
    return changes


def _machines_between(machines: Machines, cell: int, from_year: int | None, to_year: int | None) -> set[int]:
    """Machines of a cell built within (inclusive) years; an unknown build year counts as inside only an open span."""
    mine = np.flatnonzero(machines.cell == cell)
    day = machines.new_day[mine]
    first = -np.inf if from_year is None else date(from_year, 1, 1).toordinal()
    end = np.inf if to_year is None else date(to_year + 1, 1, 1).toordinal()
    open_span = from_year is None and to_year is None
    inside = np.where(np.isnan(day), open_span, (day >= first) & (day < end))
    return set(mine[inside].tolist())
