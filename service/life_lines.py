"""The lines of all machines, placed on their clocks and kept: a fit reads again only the machines that changed.

`Machine.version` goes up in every transaction that changes what a machine's lines say; the versions are compared
before anything is read, so a change made meanwhile is found the next time. What is kept stands in memory and, beside
an SQLite file, in a file of columns that a later process starts from. It is never the truth: it may be thrown away at
any time, and is where the database turns out to be another one.
"""

from __future__ import annotations

import contextlib
import os
import threading
import zipfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.fleet_clocks import FleetLines, join_fleets, pick_lines, pick_machines, place_fleet
from analytics.fleet_records import component_records, lines_by_component
from analytics.history_types import ComponentUnits, Machines, Names
from analytics.line_columns import ACTION_CODES, REASON_CODES, LineColumns, codes_of
from analytics.spells import Bools, Floats, Ints, Spells
from service.lifetimes import ToldLines, World, apply_links, read_world
from service.line_reader import ACTION_WORDS, REASON_WORDS, SOURCE_WORDS, read_lines
from service.machine_columns import MachineColumns, read_machines
from service.models import JobLine
from service.past import read_links
from service.told_facts import joined_to, joins_in_force, with_joins, with_own_facts

FORMAT = 2  # of the file; goes up with any change of what is kept or of the rules that place lines
READ_ALL_ABOVE = 0.1  # share of machines changed
KEYS_AT_ONCE = 500
WRITE_ABOVE = 0.01  # share of machines changed since the file was written
_ACTION_OF = codes_of(ACTION_WORDS, ACTION_CODES)
_REASON_OF = codes_of(REASON_WORDS, REASON_CODES)


@dataclass(frozen=True)
class LifeLines:
    """What is kept; machines and component types by their keys, positions by their place in `names`.

    By machine (m,): `version`, `new_day`, how many lines it has and how many in doubt, the latest day told. `told_...`
    are the different (machine, component type, position) that lines name. `last_line` and `last_public` tell one
    database from another.
    """

    machine: Ints
    version: Ints
    new_day: Floats
    lines: Ints
    doubts: Ints
    latest: Floats
    told_machine: Ints
    told_component: Ints
    told_position: Ints
    fleet: FleetLines
    names: tuple[str, ...]
    last_line: int = 0
    last_public: str = ""

    def pick(self, wanted: Bools) -> LifeLines:
        """Some of the machines, (m,)."""
        kept = self.machine[wanted]
        told = np.isin(self.told_machine, kept)
        columns: dict[str, Any] = {name: getattr(self, name)[wanted] for name in _BY_MACHINE}
        columns |= {name: getattr(self, name)[told] for name in _TOLD}
        return replace(self, **columns, fleet=pick_machines(self.fleet, np.isin(self.fleet.machine, kept)))

    def join(self, other: LifeLines) -> LifeLines:
        """With other machines, whose names of positions continue these."""
        order = np.argsort(np.concatenate([self.machine, other.machine]), kind="stable")
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in (*_BY_MACHINE, *_TOLD)
        }
        columns |= {name: columns[name][order] for name in _BY_MACHINE}
        return replace(other, **columns, fleet=join_fleets(self.fleet, other.fleet))


_BY_MACHINE = ("machine", "version", "new_day", "lines", "doubts", "latest")
_TOLD = ("told_machine", "told_component", "told_position")


@dataclass(frozen=True)
class FitLines:
    """What a fit needs of `service.lifetimes.Dataset`, from what was kept; the same figures."""

    kept: LifeLines
    world: World
    machine_ids: tuple[int, ...]
    components: tuple[ComponentUnits, ...]

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

    def on_clocks(self, only: Collection[str] | None = None) -> FleetLines:
        """All machines on their clocks, machines, components and positions by their indices here.

        With `only`, lines of other components are left out.
        """
        fleet = self.kept.fleet
        if only is not None:  # the other lines need not be looked at
            types = [0, -1, *(row.id for row in self.world.types if row.slug in only)]
            fleet = pick_lines(fleet, np.isin(fleet.component, types))
        return replace(
            fleet,
            machine=np.searchsorted(np.array(self.machine_ids, dtype=np.int64), fleet.machine),
            component=self.world.component_index(np.maximum(fleet.component, 0)),
            position=self.world.position_index(fleet.position, self.kept.names),
        )

    def life_records(self, only: Collection[str] | None = None) -> dict[str, Spells]:
        """Spells of every component that any line names, or of some of them."""
        named = self.named()
        wanted = [u for u in self.components if u.index in named and (only is None or u.slug in only)]
        fleet = self.on_clocks(only)
        rows = lines_by_component(fleet)
        return {u.slug: component_records(fleet, rows, u, self.machines, self.names) for u in wanted}


def lines_to_fit(session: Session, *, shop_ids: Sequence[int] | None = None) -> FitLines:
    """Lines of some shops (None: all) as they are now."""
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
    used = [kept.names[k] for k in np.unique(kept.told_position[kept.told_position >= 0]).tolist()]
    world = read_world(session, machines, used)
    units = world.units(
        world.component_index(kept.told_component),
        world.position_index(kept.told_position, _known(kept.names, world)),
        np.searchsorted(ids, kept.told_machine),
    )
    return FitLines(replace(kept, names=_known(kept.names, world)), world, tuple(ids.tolist()), units)


def _joined(session: Session, kept: LifeLines, joined: Mapping[int, int]) -> LifeLines:
    """Joined machines are kept apart, since not every question is about both, and placed together when asked."""
    touched = np.isin(kept.machine, sorted({*joined, *joined.values()}))
    theirs = kept.machine[touched]
    read = with_own_facts(session, read_lines(session, machine_ids=theirs.tolist()), None)
    lines = apply_links(with_joins(read, joined), read_links(session, None, None))
    found = _placed(lines, theirs, kept.version[touched], kept.new_day[touched], kept.names)
    return kept.pick(~touched).join(found)


def _known(names: Sequence[str], world: World) -> tuple[str, ...]:
    """Names that no machine asked about uses any more stand for themselves no longer."""
    positions = set(world.names.positions)
    filler = world.names.positions[0] if positions else ""
    return tuple(name if name in positions else filler for name in names) if positions else ()


_memory: dict[tuple[str, int], LifeLines] = {}
_lock = threading.Lock()


def _current(session: Session, now: MachineColumns) -> LifeLines:
    """What is kept, brought up to date with the database."""
    bind = session.get_bind()
    key = (str(bind.engine.url), id(bind.engine.pool))
    with _lock:
        path = _path(session)
        kept = _memory.get(key) or _load(path) or _nothing()
        if not _same_database(session, kept):
            kept = _nothing()
        fresh = _fresh(kept, now)
        changed = np.count_nonzero(~fresh)
        gone = ~np.isin(kept.machine, now.id[fresh])
        if changed or gone.any():
            all_new = bool(changed > READ_ALL_ABOVE * len(now))
            base = _nothing() if all_new else kept.pick(~gone)
            asked = now if all_new else now.pick(~fresh)
            kept = base.join(_read(session, asked, base.names, everything=all_new))
            if changed > WRITE_ABOVE * len(now):
                _store(path, kept)
        _memory.clear()  # of one database at a time
        _memory[key] = kept
        return kept


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _memory.clear()


def _nothing() -> LifeLines:
    whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
    code, no = whole.astype(np.int8), whole > 0
    fleet = place_fleet(LineColumns(whole, whole, real, real, whole, whole, code, code, no, code, no, no), real)
    return LifeLines(whole, whole, real, whole, whole, real, whole, whole, whole, fleet, ())


def _fresh(kept: LifeLines, now: MachineColumns) -> Bools:
    """Which machines, (m,), are kept as they are now."""
    if not len(kept.machine):
        return np.zeros(len(now), dtype=bool)
    at = np.minimum(np.searchsorted(kept.machine, now.id), len(kept.machine) - 1)
    same_start = (kept.new_day[at] == now.new_day) | (np.isnan(kept.new_day[at]) & np.isnan(now.new_day))
    return (kept.machine[at] == now.id) & (kept.version[at] == now.version) & same_start


def _same_database(session: Session, kept: LifeLines) -> bool:
    if not kept.last_line:
        return True
    found = session.scalar(select(JobLine.public_id).where(JobLine.id == kept.last_line))
    return str(found) == kept.last_public


def _read(session: Session, machines: MachineColumns, names: tuple[str, ...], *, everything: bool) -> LifeLines:
    """Read machines anew; `names` of positions are kept and continued."""
    last = session.execute(select(JobLine.id, JobLine.public_id).order_by(JobLine.id.desc()).limit(1)).first()
    linked = read_links(session, None, None)
    ids, version, new_day = machines.id, machines.version, machines.new_day
    told: list[LifeLines] = []
    for start in range(0, len(ids), len(ids) if everything else KEYS_AT_ONCE):
        part = slice(start, start + (len(ids) if everything else KEYS_AT_ONCE))
        wanted = None if everything else ids[part].tolist()
        read = read_lines(session, machine_ids=wanted)
        lines = apply_links(with_own_facts(session, read, None), linked)
        found = _placed(lines, ids[part], version[part], new_day[part], names)
        names = found.names
        told.append(found)
    kept = told[0] if told else replace(_nothing(), names=names)
    for more in told[1:]:
        kept = kept.join(more)
    return replace(kept, last_line=last.id if last else 0, last_public=str(last.public_id) if last else "")


def _placed(told: ToldLines, ids: Ints, version: Ints, new_day: Floats, names: tuple[str, ...]) -> LifeLines:
    read = told.lines
    known = {name: k for k, name in enumerate(names)}
    for name in read.names:
        known.setdefault(name, len(known))
    # a machine written down after the versions were looked up waits for the next time
    mine = np.isin(read.machine, ids)
    read, separate = (read, told.separate) if mine.all() else (read.take(mine), told.separate[mine])
    position = np.array([*(known[name] for name in read.names), -1], dtype=np.int64)[read.position]
    owner = np.searchsorted(ids, read.machine)
    component = np.where(read.component_type > 0, read.component_type, 0)
    wide, many = len(known) + 1, int(component.max(initial=0)) + 1
    of_somebody = read.id > 0  # what stands for an engine change is no line
    triples = np.unique(((owner * many + component) * wide + position + 1)[of_somebody])
    triples = triples[triples // wide % many > 0]
    fleet = place_fleet(
        LineColumns(
            owner, read.card, (read.earliest + read.latest) / 2, read.odometer_km,
            np.where(component > 0, component, -1), position, _ACTION_OF[read.action], _REASON_OF[read.reason],
            SOURCE_WORDS[read.source] == "card", read.quality, read.in_doubt, separate,
        ),
        new_day,
    )  # fmt: skip
    latest = np.full(len(ids), np.nan)
    sure = ~read.in_doubt & ~np.isnan(read.latest)
    np.fmax.at(latest, owner[sure], read.latest[sure])
    return LifeLines(
        ids, version, new_day, np.bincount(owner[of_somebody], minlength=len(ids)),
        np.bincount(owner[read.in_doubt & of_somebody], minlength=len(ids)), latest,
        ids[triples // (wide * many)], triples // wide % many, triples % wide - 1,
        replace(fleet, machine=ids[fleet.machine]), tuple(known),
    )  # fmt: skip


def _path(session: Session) -> Path | None:
    engine: Any = session.get_bind().engine
    database = engine.url.database
    on_file = engine.dialect.name == "sqlite" and database not in (None, "", ":memory:")
    return Path(f"{database}.lives.npz") if on_file else None


def _store(path: Path | None, kept: LifeLines) -> None:
    """Written aside and put in place at one stroke; what cannot be written is left to the next time."""
    if path is None:
        return
    columns: dict[str, Any] = {name: getattr(kept, name) for name in (*_BY_MACHINE, *_TOLD, "last_line", "last_public")}
    columns |= {f"fleet {f.name}": getattr(kept.fleet, f.name) for f in fields(FleetLines)}
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    with contextlib.suppress(OSError):
        descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as handle:
            np.savez(handle, format=FORMAT, names=np.array(kept.names, dtype=str), **columns)
        os.replace(aside, path)


def _load(path: Path | None) -> LifeLines | None:
    """What a file holds; None where there is none that can be read."""
    if path is None or not path.exists():
        return None
    try:
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as stored:
            if int(stored["format"]) != FORMAT:
                return None
            fleet = FleetLines(**{f.name: stored[f"fleet {f.name}"] for f in fields(FleetLines)})
            columns = {name: stored[name] for name in (*_BY_MACHINE, *_TOLD)}
            names = tuple(str(name) for name in stored["names"])
            return LifeLines(
                **columns, fleet=fleet, names=names,
                last_line=int(stored["last_line"]), last_public=str(stored["last_public"]),
            )  # fmt: skip
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        return None
