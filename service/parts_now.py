"""The parts that machines carry on a day, by what their lines say: those that work, and those found bad."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np

from analytics.fleet_clocks import FleetLines
from analytics.fleet_lives import NowColumns, parts_at_end
from analytics.fleet_parts import PartsOfComponent
from analytics.fleet_records import lines_by_component
from analytics.odometer import TYPICAL_KM_PER_DAY
from analytics.part_chains import whole_chains
from analytics.part_issues import build_span, doubtful_issue, issue_odds, strata_of, told_issues
from analytics.spells import DAYS_PER_YEAR, Bools, Floats, Ints, Quality
from analytics.state_columns import StateColumns
from analytics.unit_life import COMEBACK_DAYS, COMEBACK_KM
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, is_absent, positions_on_record
from service.inspections.serving import Snapshot
from service.life_lines import FitLines

LEFT_AFTER_DAYS = 3 * DAYS_PER_YEAR  # own choice: a machine not seen for so long is taken to have left
FRESH_DAYS = 92.0  # own choice: a find of the last quarter is waited for, whatever was seen of the machine since


class FoundBad(NamedTuple):
    """A part that no line has put right since it was found bad.

    `day` is the ordinal of the day it was found, nan where no line says; `km_since` and `days_since` what its machine
    had run since then when a card last saw it.
    """

    machine: str
    component: str
    position: str | None
    day: float
    km_since: float
    days_since: float

    def stands(self, today: date) -> bool:
        """Whether it is work to do: found of late, or its machine was not seen at work since.

        A machine that came back later than a comeback would, with more km than that, and no word of the part, has most
        likely had it put right and not written down; that is a question to ask, not a job.
        """
        if today.toordinal() - self.day <= FRESH_DAYS:
            return True
        return self.days_since <= COMEBACK_DAYS or self.km_since <= COMEBACK_KM


def bad_row(bad: FoundBad) -> dict[str, Any]:
    """A part found bad as it is shown."""
    return {
        "machine": bad.machine,
        "component": bad.component,
        "position": bad.position,
        "found": None if np.isnan(bad.day) else date.fromordinal(int(bad.day)).isoformat(),
        "km_since": None if np.isnan(bad.km_since) else round(bad.km_since),
    }


def _now_days(clocks: FleetLines, day: date) -> Floats:
    return np.maximum(day.toordinal() - clocks.new_day, clocks.end_days)


def in_use_on(clocks: FleetLines, day: date) -> Bools:
    """Machines, (m,), that are in use on a day: not gone, and seen within three years."""
    return ~clocks.gone & (_now_days(clocks, day) - clocks.end_days <= LEFT_AFTER_DAYS)


@dataclass(frozen=True)
class MachinesNow:
    """The machines in use, (m,), each run on at its own rate to the day asked about."""

    clocks: FleetLines
    lines: FitLines
    cell: Ints
    now_km: Floats
    now_days: Floats
    km_per_day: Floats

    @classmethod
    def of(cls, clocks: FleetLines, lines: FitLines, day: date) -> MachinesNow:
        """Machines on their clocks, run on from their last visit to a day."""
        now = _now_days(clocks, day)
        known = (clocks.end_days >= LEAST_DAYS_FOR_A_RATE) & (clocks.end_km > 0)
        rate = np.where(known, clocks.end_km / np.maximum(clocks.end_days, 1.0), TYPICAL_KM_PER_DAY)
        now_km = clocks.end_km + (now - clocks.end_days) * rate
        return cls(clocks, lines, lines.machines.cell[clocks.machine], now_km, now, rate)

    def positions(self, snapshot: Snapshot) -> list[str]:
        """Names of positions: those of the lines, then others that only the estimates know."""
        names = list(self.lines.names.positions)
        told = {
            label
            for slug in snapshot.documents
            for cell in self.lines.names.cells
            for label in positions_on_record(slug, snapshot, cell)
        }
        return names + sorted(told - set(names))

    def absent(self, slug: str, snapshot: Snapshot) -> Bools:
        """Machines (m,) whose model, or build year, lacks the part, and those whose engine is of another family."""
        out = np.zeros(len(self.cell), dtype=bool)
        for c in np.unique(self.cell).tolist():
            layout = snapshot.layout(self.lines.names.cells[c])
            if slug in {row["component"] for row in layout.get("absent", ())}:
                mine = np.flatnonzero(self.cell == c)
                out[mine] = [is_absent(slug, layout, day) for day in self.clocks.new_day[mine].tolist()]
        return out

    def foreign(self, slug: str) -> Bools:
        """Machines (m,) with an engine of another family, for a part that follows the engine."""
        world = self.lines.world
        if slug not in world.engine_parts:
            return np.zeros(len(self.cell), dtype=bool)
        return np.isin(self.clocks.machine, list(world.foreign))


def parts_and_bad(
    now: MachinesNow, lines: FitLines, snapshot: Snapshot, references: Sequence[str]
) -> tuple[list[PartsOfComponent], list[FoundBad]]:
    """The parts that work, and those that no line has put right since they were found bad."""
    names = now.positions(snapshot)
    place = {name: k for k, name in enumerate(names)}
    rows = lines_by_component(now.clocks)
    index = {units.slug: units.index for units in lines.components}
    named = lines.named()
    parts: list[PartsOfComponent] = []
    bad: list[FoundBad] = []
    count = 0
    for slug in snapshot.documents:
        number = index.get(slug, -1)
        own = rows.get(number, rows[-1][:0]) if number in named else rows[-1][:0]
        absent = now.absent(slug, snapshot)
        absent[now.clocks.owner[own[~now.clocks.in_doubt[own]]]] = False  # somebody fitted one after all
        absent |= now.foreign(slug)
        carried = [
            tuple(place[label] for label in positions_on_record(slug, snapshot, cell)) or (-1,)
            for cell in lines.names.cells
        ]
        chains, position = whole_chains(now.clocks, own, carried, now.cell, absent)
        fitted = parts_at_end(chains, now.clocks)
        works = np.flatnonzero(fitted.alive)
        if len(works):
            mine = _columns(slug, now, snapshot, chains.owner[works], position[works], _taken(fitted, works))
            parts.append(replace(mine, part=count + np.arange(len(works))))
            count += len(works)
        for k in np.flatnonzero(~fitted.alive).tolist():
            bad.append(_found_bad(slug, now, int(chains.owner[k]), int(position[k]), names, references, fitted, k))
    # the most dangerous first, then what was found last
    klass = {slug: document["safety_class"] for slug, document in snapshot.documents.items()}
    never = np.inf
    bad.sort(key=lambda b: (klass[b.component], never if np.isnan(b.day) else -b.day, b.machine, b.component))
    return parts, bad


def _taken(fitted: NowColumns, at: Ints) -> NowColumns:
    return NowColumns._make(column[at] for column in fitted)


def _found_bad(
    slug: str,
    now: MachinesNow,
    machine: int,
    position: int,
    names: Sequence[str],
    references: Sequence[str],
    fitted: NowColumns,
    k: int,
) -> FoundBad:
    return FoundBad(
        references[machine],
        slug,
        names[position] if position >= 0 else None,
        float(now.clocks.new_day[machine] + fitted.bad_days[k]),
        float(now.clocks.end_km[machine] - fitted.bad_km[k]),
        float(now.clocks.end_days[machine] - fitted.bad_days[k]),
    )


def _columns(
    slug: str, now: MachinesNow, snapshot: Snapshot, machine: Ints, position: Ints, fitted: NowColumns
) -> PartsOfComponent:
    """As `inspections.part_states.part_state` has each part; `tests/service/test_fleet_now.py` holds them together."""
    known = ~np.isnan(fitted.start_km) & ~np.isnan(fitted.start_days)
    machine_km, machine_days = now.now_km[machine], now.now_days[machine]
    part = {
        "km": np.where(known, np.maximum(machine_km - fitted.start_km, 0.0), np.nan),
        "days": np.where(known, np.maximum(machine_days - fitted.start_days, 0.0), np.nan),
    }
    mended = known & ~np.isnan(fitted.repair_km) & ~np.isnan(fitted.repair_days)
    repair = {
        "km": np.minimum(np.maximum(fitted.repair_km - fitted.start_km, 0.0), part["km"]),
        "days": np.minimum(np.maximum(fitted.repair_days - fitted.start_days, 0.0), part["days"]),
    }
    new_day = now.clocks.new_day[machine]
    changes = _changes(slug, snapshot, now)
    later = fitted.after_campaign
    stratum, issues, odds = _issues(changes, now, machine, np.where(known, fitted.start_days, 0.0), later)
    nothing = np.full(len(machine), np.nan)
    states = StateColumns(
        machine_km, machine_days, part["km"], part["days"],
        np.minimum(fitted.watched_from_km, machine_km), np.minimum(fitted.watched_from_days, machine_days),
        nothing, nothing, np.where(mended, repair["km"], np.nan), np.where(mended, repair["days"], np.nan),
        fitted.not_original & ~known, (fitted.quality == Quality.USED) & ~known,
    )  # fmt: skip
    return PartsOfComponent(
        slug, np.arange(len(machine)), machine, position,
        stratum, _stratum(changes, now.cell[machine], new_day + machine_days, later),
        fitted.quality, states, issues, odds,
    )  # fmt: skip


def _changes(slug: str, snapshot: Snapshot, now: MachinesNow) -> Mapping[int, tuple[float, ...]]:
    """Days from which a superseding part was fitted, by cell."""
    found = {}
    for c, cell in enumerate(now.lines.names.cells):
        days = snapshot.part_changes.get((cell.make, cell.model), {}).get(slug)
        if days is not None:
            found[c] = days
    return found


def _issues(
    changes: Mapping[int, tuple[float, ...]], now: MachinesNow, machine: Ints, since_new: Floats, later: Bools
) -> tuple[Ints, tuple[tuple[float, ...], ...], Ints]:
    """Stratum of each part, and the odds of each where a factory part may be of either side of a change."""
    clocks = now.clocks
    new_day, cell = clocks.new_day[machine], now.cell[machine]
    stratum = _stratum(changes, cell, new_day + since_new, later)
    told: list[tuple[float, ...]] = [()] * len(machine)
    told_days = now.lines.machines.built_between(clocks.machine[machine])
    first, last = build_span(new_day, told_days, new_day + clocks.start_days[machine])
    for c, days in changes.items():
        mine = np.flatnonzero((cell == c) & (since_new <= 0.0) & ~later)
        odds = issue_odds(days, first[mine], last[mine])
        stratum[mine] = odds.argmax(axis=1)
        for k, own in zip(mine.tolist(), odds, strict=True):
            told[k] = doubtful_issue(own)
    stratum[[k for k, own in enumerate(told) if own]] = -1
    return stratum, *told_issues(told)


def _stratum(changes: Mapping[int, tuple[float, ...]], cell: Ints, day: Floats, later: Bools) -> Ints:
    """Which issue of a part was fitted on a day, the newest after a campaign; -1 where it was never superseded."""
    out = np.full(len(cell), -1, dtype=np.int64)
    for c, days in changes.items():
        mine = cell == c
        out[mine] = np.where(later[mine], len(days), strata_of(days, day[mine]))
    return out
