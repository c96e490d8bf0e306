"""The lines of all machines, placed on their clocks and kept: a fit reads again only the machines that changed.

`Machine.version` goes up in every transaction that changes what a machine's lines say; the versions are compared
before anything is read, so a change made meanwhile is found the next time. What is kept stands in memory and, beside
an SQLite file, in a file of columns that a later process starts from. It is never the truth: it may be thrown away at
any time, and is where the database turns out to be another one.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.fleet_clocks import FleetLines
from analytics.fleet_pieces import pick_lines, pick_machines
from analytics.fleet_records import component_records, lines_by_component
from analytics.history_types import ComponentUnits, Machines, Names
from analytics.line_columns import Action
from analytics.spells import SPELL_COLUMNS, Bools, Removal, Spells
from service.kept_lines import LifeLines, Stand, nothing_kept, placed_lines, read_machine_lines
from service.kept_lines_file import load, path_of, store
from service.lifetimes import World, apply_links, read_world, same_world
from service.line_reader import read_lines, with_doubts_then
from service.machine_columns import MachineColumns, read_machines
from service.models import JobLine
from service.past import read_links, reads_the_past
from service.told_facts import joined_to, joins_in_force, with_facts, with_joins, with_own_facts

READ_ALL_ABOVE = 0.1  # share of machines changed
WRITE_ABOVE = 0.01  # share of machines changed since the file was written


@dataclass(frozen=True)
class FitLines:
    """What a fit needs of `service.lifetimes.Dataset`, from what was kept; the same figures."""

    kept: LifeLines
    world: World
    machine_ids: tuple[int, ...]
    components: tuple[ComponentUnits, ...]
    told_names: tuple[str, ...]  # of positions as they are kept
    used: tuple[str, ...]  # those that lines name
    made: dict[str, _Made]  # spells of single components, as they were last asked for

    @property
    def names(self) -> Names:
        return self.world.names

    @property
    def machines(self) -> Machines:
        return self.world.machines

    @property
    def line_count(self) -> int:
        return int(self.kept.lines.sum())

    @property
    def lines_in_doubt(self) -> int:
        return int(self.kept.doubts.sum())

    @property
    def data_through(self) -> date | None:
        known = self.kept.latest[~np.isnan(self.kept.latest)]
        return date.fromordinal(int(known.max())) if len(known) else None

    def named(self) -> frozenset[int]:
        """Components, by index, that any line names."""
        return frozenset(np.unique(self.world.component_index(self.kept.told_component)).tolist())

    def on_clocks(self, only: Collection[str] | None = None, machines: Bools | None = None) -> FleetLines:
        """All machines on their clocks, machines, components and positions by their indices here.

        With `only`, lines of other components are left out; with `machines`, (m,), all others.
        """
        fleet = self.kept.fleet
        if machines is not None:
            fleet = pick_machines(fleet, machines[np.searchsorted(self.kept.machine, fleet.machine)])
        if only is not None:  # the other lines need not be looked at
            types = [0, -1, *(row.id for row in self.world.types if row.slug in only)]
            fleet = pick_lines(fleet, np.isin(fleet.component, types))
        return replace(
            fleet,
            machine=np.searchsorted(self.kept.machine, fleet.machine),
            component=self.world.component_index(np.maximum(fleet.component, 0)),
            position=self.world.position_index(fleet.position, self.kept.names),
        )

    def tells_as(self, other: LifeLines) -> bool:
        """Whether other lines of the same machines name the same parts of each."""
        changed = self.kept.machine[self.kept.stand.differs(other.stand)]
        one, two = (lines.told_of(changed) for lines in (self.kept, other))
        return np.array_equal(one, two)

    def life_records(self, only: Collection[str] | None = None) -> dict[str, Spells]:
        """Spells of every component that any line names, or of some of them."""
        named = self.named()
        wanted = [u for u in self.components if u.index in named and (only is None or u.slug in only)]
        if only is not None:
            return {u.slug: self._of_one(u) for u in wanted}
        fleet = self.on_clocks()
        rows = lines_by_component(fleet)
        return {u.slug: component_records(fleet, rows, u, self.machines, self.names) for u in wanted}

    def _of_one(self, units: ComponentUnits) -> Spells:
        """Spells of one component: those made before, but for the machines that changed since."""
        before, stand = self.made.get(units.slug), self.kept.stand
        changed = stand.differs(before.stand) if before is not None and before.units == units else None
        fleet = self.on_clocks({units.slug}, changed)
        spells = component_records(fleet, lines_by_component(fleet), units, self.machines, self.names)
        if before is not None and changed is not None:
            spells = _in_place(before.spells, changed, spells)
        self.made[units.slug] = _Made(spells, units, stand)
        return spells


@dataclass(frozen=True)
class _Made:
    """Spells of one component, and what they were made of."""

    spells: Spells
    units: ComponentUnits
    stand: Stand


def _in_place(old: Spells, changed: Bools, new: Spells) -> Spells:
    """Spells with those of machines that changed, (m,), taken out and others put in, by machine."""
    stay = ~changed[old.machine]
    order = np.argsort(np.concatenate([old.machine[stay], new.machine]), kind="stable")
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(old, name)[stay], getattr(new, name)])[order] for name in SPELL_COLUMNS
    }
    return replace(new, **columns)


def lines_to_fit(session: Session, *, shop_ids: Sequence[int] | None = None) -> FitLines:
    """Lines of some shops (None: all) as they are now, or were when the session reads as of."""
    known_at = reads_the_past(session)
    if known_at is not None:
        return _then(session, shop_ids, known_at)
    machines = read_machines(session)  # before anything else: what changes meanwhile is found the next time
    kept = _current(session, machines)
    if shop_ids is not None:
        machines = machines.pick(np.isin(machines.shop, list(shop_ids)))
    ids = machines.id
    if len(ids) != len(kept.machine) or not np.array_equal(ids, kept.machine):
        kept = kept.pick(np.isin(kept.machine, ids))
    joined = joined_to(joins_in_force(session, None), set(ids.tolist()))
    if joined:
        kept = _joined(session, kept, joined)
    if joined:
        return _placed_in_world(session, machines, kept, None)
    key = _database(session)
    found = _placed_in_world(session, machines, kept, _last.get(key))
    with _lock:
        _last.clear()
        _last[key] = found
    return found


def _then(session: Session, shop_ids: Sequence[int] | None, known_at: datetime) -> FitLines:
    """Lines as they were at a moment: read anew, since what is kept is as they are now."""
    machines = read_machines(session, shop_ids=shop_ids)
    read = read_lines(session, shop_ids=shop_ids, known_at=known_at)
    read = with_facts(session, with_doubts_then(session, read, shop_ids, known_at), known_at)
    lines = apply_links(read, read_links(session, shop_ids, known_at))
    kept = placed_lines(lines, machines.id, machines.version, machines.new_day, ())
    return _placed_in_world(session, machines, kept, None)


_last: dict[tuple[str, int], FitLines] = {}


def _placed_in_world(session: Session, machines: MachineColumns, kept: LifeLines, last: FitLines | None) -> FitLines:
    """Lines with all that is known of their machines; what is as it was `last` is not worked out again."""
    if last is not None and not np.array_equal(last.kept.machine, kept.machine):
        last = None
    names_same = last is not None and kept.names[: len(last.told_names)] == last.told_names and last.tells_as(kept)
    used = (
        last.used
        if last is not None and names_same
        else tuple(kept.names[k] for k in np.unique(kept.told_position[kept.told_position >= 0]).tolist())
    )
    world = _with_campaigns(read_world(session, machines, used, known_at=reads_the_past(session)), machines, kept)
    same = last is not None and same_world(last.world, world)
    names = _known(kept.names, world)
    if last is not None and same and names_same:
        units = last.components
    else:
        units = world.units(
            world.component_index(kept.told_component),
            world.position_index(kept.told_position, names),
            np.searchsorted(machines.id, kept.told_machine),
        )
    made = last.made if last is not None and same else {}
    return FitLines(replace(kept, names=names), world, tuple(machines.id.tolist()), units, kept.names, used, made)


def _with_campaigns(world: World, machines: MachineColumns, kept: LifeLines) -> World:
    fleet = kept.fleet
    said = np.flatnonzero((fleet.reason == Removal.CAMPAIGN) & (fleet.action == Action.RENEWED) & ~fleet.in_doubt)
    component = world.component_index(np.maximum(fleet.component[said], 0))
    return world.with_campaigns(component, np.searchsorted(machines.id, fleet.machine[fleet.owner[said]]))


def _joined(session: Session, kept: LifeLines, joined: Mapping[int, int]) -> LifeLines:
    """Joined machines are kept apart, since not every question is about both, and placed together when asked."""
    touched = np.isin(kept.machine, sorted({*joined, *joined.values()}))
    theirs = kept.machine[touched]
    read = with_own_facts(session, read_lines(session, machine_ids=theirs.tolist()), None)
    lines = apply_links(with_joins(read, joined), read_links(session, None, None))
    found = placed_lines(lines, theirs, kept.version[touched], kept.new_day[touched], kept.names)
    return kept.exchanged(touched, found)


def _known(names: Sequence[str], world: World) -> tuple[str, ...]:
    """Names that no machine asked about uses any more stand for themselves no longer."""
    positions = set(world.names.positions)
    filler = world.names.positions[0] if positions else ""
    return tuple(name if name in positions else filler for name in names) if positions else ()


_memory: dict[tuple[str, int], LifeLines] = {}
_lock = threading.Lock()


def _database(session: Session) -> tuple[str, int]:
    # In-memory databases share one address: their engines tell them apart.
    engine = session.get_bind().engine
    return str(engine.url), id(engine.pool)


def _current(session: Session, now: MachineColumns) -> LifeLines:
    """What is kept, brought up to date with the database."""
    key = _database(session)
    with _lock:
        path = path_of(session)
        kept = _memory.get(key) or load(path) or nothing_kept()
        if not _same_database(session, kept):
            kept = nothing_kept()
        fresh = _fresh(kept, now)
        changed = np.count_nonzero(~fresh)
        gone = ~np.isin(kept.machine, now.id[fresh])
        if changed or gone.any():
            all_new = bool(changed > READ_ALL_ABOVE * len(now))
            if all_new:
                kept = read_machine_lines(session, now, (), everything=True)
            else:
                changed_lines = read_machine_lines(session, now.pick(~fresh), kept.names, everything=False)
                kept = kept.exchanged(gone, changed_lines)
            if changed > WRITE_ABOVE * len(now):
                store(path, kept)
        _memory.clear()  # of one database at a time
        _memory[key] = kept
        return kept


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _memory.clear()
        _last.clear()


def _fresh(kept: LifeLines, now: MachineColumns) -> Bools:
    """Which machines, (m,), are kept as they are now."""
    if not len(kept.machine):
        return np.zeros(len(now), dtype=bool)
    at = np.minimum(np.searchsorted(kept.machine, now.id), len(kept.machine) - 1)
    return (kept.machine[at] == now.id) & ~Stand(kept.version[at], kept.new_day[at]).differs(
        Stand(now.version, now.new_day)
    )


def _same_database(session: Session, kept: LifeLines) -> bool:
    if not kept.last_line:
        return True
    found = session.scalar(select(JobLine.public_id).where(JobLine.id == kept.last_line))
    return str(found) == kept.last_public
