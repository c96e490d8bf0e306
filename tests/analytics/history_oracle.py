"""Life records the plain way, machine by machine and line by line: what the columns have to give to the last bit."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np

from analytics.histories import ComponentUnits, Lines, Machines, Placed, machine_slices, place_machine
from analytics.part_chains import MOST_UNPLACED_LINES
from analytics.part_issues import stratum_of
from analytics.unit_life import Event, SpellRow, live

COLUMNS = ("machine", "shop", "cell", "position", "stratum", "weight", *SpellRow._fields[:-1])


def plain_records(lines: Lines, machines: Machines, components: list[ComponentUnits]) -> dict[str, list[tuple]]:
    """By component, rows in the order of `COLUMNS`."""
    placed = {}
    for machine, rows in machine_slices(lines.machine):
        one = place_machine(lines, rows, float(machines.new_day[machine]))
        if one is not None:
            placed[machine] = one
    named = set(np.unique(lines.component).tolist())
    return {u.slug: list(_rows(u, placed, machines)) for u in components if u.index in named}


def _rows(units: ComponentUnits, placed: dict[int, Placed], machines: Machines):
    for machine, one in placed.items():
        cell = int(machines.cell[machine])
        events = _events(one, units.index)
        fitted = any(c == units.index and not event.in_doubt for c, _, event in one.events)
        base = () if machine in units.absent_on and not fitted else units.positions_by_cell[cell]
        named = tuple(sorted({p for p, _ in events if p >= 0} - set(base)))
        positions = named if base == (-1,) and named else base + named
        for position in positions:
            for weight, chain in _readings(events, position, positions):
                for row in live(chain, one.watch, shown_by_running=units.shown_by_running).spells:
                    for stratum, share in _issues(units, cell, machines, machine, one, row):
                        yield (machine, int(machines.shop[machine]), cell, position, stratum, weight * share, *row[:-1])


def _events(one: Placed, component: int) -> list[tuple[int, Event]]:
    """Lines about a component; a clock change in doubt concerns every part."""
    return [
        (-1 if c < 0 else position, event)
        for c, position, event in one.events
        if c == component or (c < 0 and event.action == "clock_changed" and event.in_doubt)
    ]


def _readings(events: list[tuple[int, Event]], position: int, positions: tuple[int, ...]):
    mine = [(k, p, e) for k, (p, e) in enumerate(events) if p in (position, -1)]
    unplaced = [k for k, p, e in mine if p == -1 and e.action in ("renewed", "checked_bad")]
    if len(positions) == 1 or position == -1 or not unplaced:
        return [(1.0, [e for _, _, e in mine])]
    if len(unplaced) > MOST_UNPLACED_LINES:
        return [(1.0, [e._replace(in_doubt=True) if k in unplaced else e for k, _, e in mine])]
    share = 1.0 / len(positions)
    readings = []
    for taken in product((True, False), repeat=len(unplaced)):
        weight = float(np.prod([share if yes else 1.0 - share for yes in taken]))
        skipped = {k for k, yes in zip(unplaced, taken, strict=True) if not yes}
        readings.append((weight, [e for k, _, e in mine if k not in skipped]))
    return readings


def _issues(units: ComponentUnits, cell: int, machines: Machines, machine: int, one: Placed, row: SpellRow):
    """Each stratum the part can be of, with its share in sixteenths of the days that its machine can be built on."""
    if cell not in units.changes_by_cell:
        return [(-1, 1.0)]
    changes = units.changes_by_cell[cell]
    if row.after_campaign:
        return [(len(changes), 1.0)]
    unknown_start = row.start_days != row.start_days
    fitted = (row.entry_days if row.not_original else 0.0) if unknown_start else row.start_days
    if fitted > 0 or row.not_original or machines.built_first is None:
        return [(stratum_of(changes, one.new_day + fitted), 1.0)]
    first = machines.built_first[machine]
    last = min(machines.built_last[machine], np.floor(one.new_day + one.watch.start_days))
    if not first < last:
        return [(stratum_of(changes, first if first == last else one.new_day), 1.0)]
    days = np.arange(first, last + 1)
    later = [1.0, *(round(16 * float((days >= change).mean())) / 16 for change in changes), 0.0]
    return [(k, a - b) for k, (a, b) in enumerate(pairwise(later)) if a > b]
