"""The lines of machines placed on their clocks, as they are kept between fits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.fleet_clocks import FleetLines, place_fleet
from analytics.fleet_pieces import exchange_machines, pick_machines
from analytics.line_columns import ACTION_CODES, REASON_CODES, LineColumns, codes_of
from analytics.spells import Bools, Floats, Ints
from service.lifetimes import ToldLines, apply_links
from service.line_reader import read_lines
from service.lines_read import ACTION_WORDS, REASON_WORDS, SOURCE_WORDS
from service.machine_columns import MachineColumns
from service.models import JobLine
from service.past import read_links
from service.told_facts import with_own_facts

KEYS_AT_ONCE = 500
_ACTION_OF = codes_of(ACTION_WORDS, ACTION_CODES)
_REASON_OF = codes_of(REASON_WORDS, REASON_CODES)


class Stand(NamedTuple):
    """State of each machine's lines, (m,)."""

    version: Ints
    new_day: Floats

    def differs(self, other: Stand) -> Bools:
        """Which machines, (m,), say other things; both are of the same machines."""
        same_start = (self.new_day == other.new_day) | (np.isnan(self.new_day) & np.isnan(other.new_day))
        return ~((self.version == other.version) & same_start)


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

    @property
    def stand(self) -> Stand:
        """What tells whether a machine says what it said."""
        return Stand(self.version, self.new_day)

    def told_of(self, machines: Ints) -> Ints:
        """The different (machine, component type, position) that lines of some machines name, (told, 3)."""
        theirs = np.isin(self.told_machine, machines)
        return np.unique(np.stack([getattr(self, name)[theirs] for name in TOLD], axis=1), axis=0)

    def pick(self, wanted: Bools) -> LifeLines:
        """Some of the machines, (m,)."""
        kept = self.machine[wanted]
        told = np.isin(self.told_machine, kept)
        columns: dict[str, Any] = {name: getattr(self, name)[wanted] for name in BY_MACHINE}
        columns |= {name: getattr(self, name)[told] for name in TOLD}
        return replace(self, **columns, fleet=pick_machines(self.fleet, np.isin(self.fleet.machine, kept)))

    def exchanged(self, gone: Bools, other: LifeLines) -> LifeLines:
        """Without some machines, (m,), and with others, whose names of positions continue these."""
        order = np.argsort(np.concatenate([self.machine[~gone], other.machine]), kind="stable")
        told = ~np.isin(self.told_machine, self.machine[gone])
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(self, name)[~gone], getattr(other, name)])[order] for name in BY_MACHINE
        }
        columns |= {name: np.concatenate([getattr(self, name)[told], getattr(other, name)]) for name in TOLD}
        left = np.isin(self.fleet.machine, self.machine[gone])
        return replace(other, **columns, fleet=exchange_machines(self.fleet, left, other.fleet))


BY_MACHINE = ("machine", "version", "new_day", "lines", "doubts", "latest")
TOLD = ("told_machine", "told_component", "told_position")


def nothing_kept() -> LifeLines:
    whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
    code, no = whole.astype(np.int8), whole > 0
    fleet = place_fleet(LineColumns(whole, whole, real, real, whole, whole, code, code, no, code, no, no), real)
    return LifeLines(whole, whole, real, whole, whole, real, whole, whole, whole, fleet, ())


def read_machine_lines(
    session: Session, machines: MachineColumns, names: tuple[str, ...], *, everything: bool
) -> LifeLines:
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
        found = placed_lines(lines, ids[part], version[part], new_day[part], names)
        names = found.names
        told.append(found)
    kept = told[0] if told else replace(nothing_kept(), names=names)
    for more in told[1:]:
        kept = kept.exchanged(np.zeros(len(kept.machine), dtype=bool), more)
    return replace(kept, last_line=last.id if last else 0, last_public=str(last.public_id) if last else "")


def placed_lines(told: ToldLines, ids: Ints, version: Ints, new_day: Floats, names: tuple[str, ...]) -> LifeLines:
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
