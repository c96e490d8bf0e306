"""Machine histories to life records: job lines in, one `Spells` a component out.

Question answered: what do these lines say about how long each part lived? A machine is under observation
from its first card to its last (late entry; never to "today"). Within that window every position of every
component its model carries is a part at risk, whether or not a line ever named it: the parts nobody had to
touch are most of the evidence. What each kind of line does is in `analytics.unit_life`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, product
from operator import itemgetter
from typing import Any

import numpy as np

from analytics.odometer import TYPICAL_KM_PER_DAY, Clocks, place_lines
from analytics.spells import Cell, Floats, Ints, Outcome, Removal, Spells
from analytics.unit_life import NAN, Event, SpellRow, Watch, live

# A second line without a position in one history doubles the ways it can be read; beyond this many the
# lines break the history off instead.
MOST_UNPLACED_LINES = 2


@dataclass(frozen=True)
class Lines:
    """Job lines of many machines, columns of shape (n,); rows of one machine stand in the order written.

    `day` is the ordinal of the date (middle of a month or year where only that is known), nan if unknown;
    `reading_km` what the clock showed, nan if not read. `component` and `position` are indices, -1 for none.
    `separate` marks renewals said to be no second entry of the one just before (None: none is).
    """

    machine: Ints
    card: Ints
    day: Floats
    reading_km: Floats
    component: Ints
    position: Ints
    action: Sequence[str]
    reason: Sequence[str]
    source: Sequence[str]
    quality: Ints
    in_doubt: np.ndarray
    separate: np.ndarray | None = None


@dataclass(frozen=True)
class Machines:
    """The machines behind the lines, columns of shape (m,); `new_day` is nan where no build date is known."""

    cell: Ints
    shop: Ints
    new_day: Floats


@dataclass(frozen=True)
class ComponentUnits:
    """What one component looks like on each model.

    `positions_by_cell[c]` are the position indices a machine of cell c carries (`(-1,)`: one part without a
    position; `()`: the model has no such part). `changes_by_cell[c]` are ordinals of build days from which a
    superseding part was fitted. `absent_on` lists machines that lack the part though their model has it.
    """

    index: int
    slug: str
    shown_by_running: bool
    positions_by_cell: Sequence[tuple[int, ...]]
    changes_by_cell: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    absent_on: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Names:
    """Names behind the indices."""

    cells: tuple[Cell, ...]
    positions: tuple[str, ...]
    shops: tuple[str, ...]


@dataclass(frozen=True)
class Placed:
    """One machine's window of observation and its lines, placed on the machine's clocks and in order of time."""

    watch: Watch
    # (component, position, event); component -1 for lines about the machine as a whole
    events: tuple[tuple[int, int, Event], ...]
    new_day: float
    clocks: Clocks
    order: tuple[int, ...]


def place_machine(lines: Lines, rows: slice, new_day: float) -> Placed | None:
    """Put one machine's lines on its clocks; None where no card ever saw the machine."""
    day, reading = lines.day[rows], lines.reading_km[rows]
    doubt = np.asarray(lines.in_doubt[rows], dtype=bool)
    separate = np.zeros(len(day), dtype=bool) if lines.separate is None else lines.separate[rows]
    action, source = lines.action[rows], lines.source[rows]
    if np.isnan(new_day):
        new_day = _guess_new_day(day, reading)
    order = np.lexsort((np.arange(len(day)), _sort_days(day, reading, new_day)))
    changed = np.array([action[i] == "clock_changed" for i in order])
    trusted = np.where(doubt, np.nan, reading)[order]
    trusted = np.where(changed, reading[order], trusted)
    clocks = place_lines(day[order] - new_day, trusted, changed, lines.card[rows][order].astype(float))
    # A date known to the month only may stand before a reading of the same month: neither clock runs backwards.
    km, days = (np.where(np.isnan(c), np.nan, np.fmax.accumulate(np.fmax(c, 0.0))) for c in (clocks.km, clocks.days))
    watch = _watch(km, days, [(action[i], source[i], lines.reason[rows][i], bool(doubt[i])) for i in order],
                   lines.card[rows][order])  # fmt: skip
    if watch is None:
        return None
    events = tuple(
        (
            int(lines.component[rows][i]),
            int(lines.position[rows][i]),
            Event(float(km[k]), float(days[k]), action[i], lines.reason[rows][i], source[i],
                  int(lines.quality[rows][i]), bool(doubt[i]), bool(separate[i])),
        )
        for k, i in enumerate(order)
    )  # fmt: skip
    return Placed(watch, events, new_day, clocks, tuple(int(i) for i in order))


def _guess_new_day(day: Floats, reading: Floats) -> float:
    """A machine without build year is taken to have run the typical distance a year until first sight."""
    both = ~(np.isnan(day) | np.isnan(reading))
    if both.any():
        first = int(np.flatnonzero(both)[0])
        return float(day[first] - reading[first] / TYPICAL_KM_PER_DAY)
    return float(np.nanmin(day)) if (~np.isnan(day)).any() else 0.0


def _sort_days(day: Floats, reading: Floats, new_day: float) -> Floats:
    """Days to sort by: undated lines with a reading go between their neighbours, others to the front."""
    sort_days = day.copy()
    both = ~(np.isnan(day) | np.isnan(reading))
    only_km = np.isnan(day) & ~np.isnan(reading)
    if only_km.any() and both.any():
        order = np.argsort(reading[both], kind="stable")
        known_km = np.concatenate([[0.0], reading[both][order]])
        known_day = np.maximum.accumulate(np.concatenate([[new_day], day[both][order]]))
        sort_days[only_km] = np.interp(reading[only_km], known_km, known_day)
    return np.where(np.isnan(sort_days), -np.inf, sort_days)


_HEALTHY_REASONS = frozenset({"scheduled", "while_apart", "worn_to_limit", "upgrade", "campaign", "owner_wish"})


def _watch(km: Floats, days: Floats, said: list[tuple[str, str, str, bool]], cards: Ints) -> Watch | None:
    """The window from the first card to the last; a line in doubt opens and closes nothing."""
    sure = [
        k
        for k, (_, source, _, doubt) in enumerate(said)
        if source == "card" and not doubt and km[k] == km[k] and days[k] == days[k]
    ]
    if not sure:
        return None
    gone = [k for k in sure if said[k][0] == "gone"]
    last = gone[0] if gone else sure[-1]
    sure = [k for k in sure if k <= last]
    final_card = [said[k] for k in sure if cards[k] == cards[last]]
    seen = [k for k in sure if said[k][0] == "seen"]
    return Watch(
        float(km[sure[0]]), float(days[sure[0]]),
        max(float(km[sure[0]]), float(km[last])), max(float(days[sure[0]]), float(days[last])),
        bool(gone), not gone and _only_failures(final_card),
        tuple(float(days[k]) for k in seen), tuple(float(km[k]) for k in seen),
    )  # fmt: skip


def _only_failures(card: list[tuple[str, str, str, bool]]) -> bool:
    """True where nothing but a failure brought the machine in."""
    healthy = any(
        action in ("seen", "checked_good", "original") or (action == "renewed" and reason in _HEALTHY_REASONS)
        for action, _, reason, _ in card
    )
    failed = any(action in ("renewed", "repaired") and reason in ("failed", "unknown") for action, _, reason, _ in card)
    return failed and not healthy


def machine_slices(machine: Ints) -> list[tuple[int, slice]]:
    """(machine, rows) for lines sorted by machine."""
    if not len(machine):
        return []
    starts = np.flatnonzero(np.concatenate([[True], np.diff(machine) != 0]))
    ends = np.append(starts[1:], len(machine))
    return [(int(machine[a]), slice(int(a), int(b))) for a, b in zip(starts, ends, strict=True)]


def life_records(
    lines: Lines, machines: Machines, components: Sequence[ComponentUnits], names: Names
) -> dict[str, Spells]:
    """Life records of every component that any line names.

    Parameters
    ----------
    lines : Lines
        Sorted by machine.
    machines : Machines
    components : sequence of ComponentUnits
    names : Names

    Returns
    -------
    dict of slug to Spells
        Components that no line names are left out: their absence from the cards says nothing.
    """
    placed = {m: p for m, rows in machine_slices(lines.machine)
              if (p := place_machine(lines, rows, float(machines.new_day[m]))) is not None}  # fmt: skip
    named = {int(c) for c in np.unique(lines.component)} - {-1}
    by_component = _events_by_component(placed, named)
    return {
        units.slug: _component_spells(units, placed, by_component[units.index], machines, names)
        for units in components
        if units.index in named
    }


PartEvents = list[tuple[int, Event]]


def _events_by_component(placed: Mapping[int, Placed], named: set[int]) -> dict[int, dict[int, PartEvents]]:
    """Events with their positions, by component and machine; a broken-off clock concerns every part."""
    found: dict[int, dict[int, PartEvents]] = {component: {} for component in named}
    for machine, one in placed.items():
        broken = any(event.action == "clock_changed" and event.in_doubt for _, _, event in one.events)
        for component, position, event in one.events:
            if component >= 0:
                found[component].setdefault(machine, []).append((position, event))
            elif broken and event.action == "clock_changed" and event.in_doubt:
                for of_machine in found.values():
                    of_machine.setdefault(machine, []).append((-1, event))
    return found


def _component_spells(
    units: ComponentUnits,
    placed: Mapping[int, Placed],
    events_of: Mapping[int, PartEvents],
    machines: Machines,
    names: Names,
) -> Spells:
    rows: list[SpellRow] = []
    where: list[tuple[int, int, float]] = []  # machine, position, weight
    for machine, one in placed.items():
        positions = units.positions_by_cell[int(machines.cell[machine])]
        events = events_of.get(machine)
        if machine in units.absent_on:
            positions = ()
        if events is None:
            untouched = live([], one.watch, shown_by_running=False).spells
            rows.extend(untouched * len(positions))
            where.extend((machine, position, 1.0) for position in positions if untouched)
            continue
        named = tuple(sorted({p for p, _ in events if p >= 0} - set(positions)))
        positions = named if positions == (-1,) and named else positions + named
        for position in positions:
            for weight, chain in _readings(events, position, positions):
                for row in live(chain, one.watch, shown_by_running=units.shown_by_running).spells:
                    rows.append(row)
                    where.append((machine, position, weight))
    return _assemble(rows, where, units, placed, machines, names)


def _readings(
    events: list[tuple[int, Event]], position: int, positions: tuple[int, ...]
) -> list[tuple[float, list[Event]]]:
    """The ways a position's history can be read, with their weights.

    A line that does not say which of n positions it means belongs to each with weight 1/n (half and half on
    a twin). Checks and "still original" without a position speak of all of them.
    """
    mine = [(p, e) for p, e in events if p == position or p == -1]
    unplaced = [e for p, e in mine if p == -1 and e.action in ("renewed", "checked_bad")]
    if len(positions) == 1 or position == -1 or not unplaced:
        return [(1.0, [e for _, e in mine])]
    if len(unplaced) > MOST_UNPLACED_LINES:
        broken = [e._replace(in_doubt=True) if e in unplaced else e for _, e in mine]
        return [(1.0, broken)]
    share = 1.0 / len(positions)
    readings = []
    for taken in product((True, False), repeat=len(unplaced)):
        weight = float(np.prod([share if yes else 1.0 - share for yes in taken]))
        skipped = {id(e) for e, yes in zip(unplaced, taken, strict=True) if not yes}
        readings.append((weight, [e for _, e in mine if id(e) not in skipped]))
    return readings


def _assemble(
    rows: list[SpellRow],
    where: list[tuple[int, int, float]],
    units: ComponentUnits,
    placed: Mapping[int, Placed],
    machines: Machines,
    names: Names,
) -> Spells:
    columns = dict(zip(SpellRow._fields, np.array(rows, dtype=float).reshape(-1, len(SpellRow._fields)).T, strict=True))
    machine = np.array([w[0] for w in where], dtype=np.int64)
    cell = machines.cell[machine] if len(machine) else machine
    integers: dict[str, Any] = {name: columns[name].astype(np.int64) for name in ("outcome", "removal", "quality")}
    floats: dict[str, Any] = {
        name: columns[name] for name in SpellRow._fields if name not in integers and name != "not_original"
    }
    return Spells(
        machine=machine,
        shop=machines.shop[machine] if len(machine) else machine,
        cell=cell,
        position=np.array([w[1] for w in where], dtype=np.int64),
        stratum=np.array(
            [_stratum(units, int(c), placed[int(m)], r) for m, c, r in zip(machine, cell, rows, strict=True)],
            dtype=np.int64,
        ),
        not_original=columns["not_original"].astype(bool),
        weight=np.array([w[2] for w in where], dtype=float),
        cells=names.cells,
        positions=names.positions,
        shops=names.shops,
        **integers,
        **floats,
    )  # fmt: skip


def _stratum(units: ComponentUnits, cell: int, one: Placed, row: SpellRow) -> int:
    """Which issue of a superseded part this is: by the day it was fitted, which for a factory part is the build."""
    changes = units.changes_by_cell.get(cell)
    if changes is None:
        return -1
    unknown_start = row.start_days != row.start_days
    fitted_days = (row.entry_days if row.not_original else 0.0) if unknown_start else row.start_days
    return stratum_of(changes, one.new_day + fitted_days)


def stratum_of(changes: Sequence[float], fitted_day: float) -> int:
    """Number of part changes that lie on or before the day a part was fitted."""
    return sum(fitted_day >= day for day in changes)


def positions_in_use(
    component: Ints, position: Ints, cell: Ints, families: Sequence[str], index: int, *, fixed: bool
) -> list[tuple[int, ...]]:
    """Which positions a component has on each model, from the positions that lines name.

    Where no line ever names one, the component counts as one part without a position. A component with a
    fixed set of places (left and right) has every place that is named anywhere; one that follows the engine
    (a coil a cylinder) has the places named within the same engine family.
    """
    mine = (component == index) & (position >= 0)
    if not mine.any():
        return [(-1,)] * len(families)
    if fixed:
        return [tuple(int(p) for p in np.unique(position[mine]))] * len(families)
    by_family: dict[str, set[int]] = {}
    pairs = sorted({(families[int(c)], int(p)) for c, p in zip(cell[mine], position[mine], strict=True)})
    for family, group in groupby(pairs, key=itemgetter(0)):
        by_family[family] = {p for _, p in group}
    return [tuple(sorted(by_family.get(family, {-1}))) for family in families]


__all__ = ["NAN", "ComponentUnits", "Lines", "Machines", "Names", "Outcome", "Placed", "Removal", "life_records",
           "machine_slices", "place_machine", "positions_in_use"]  # fmt: skip
