"""Whole fleets over columns give what machine by machine, line by line gives, to the last bit, however messy."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from analytics.fleet_clocks import FleetLines, place_fleet
from analytics.fleet_lives import NowColumns, parts_at_end
from analytics.fleet_pieces import exchange_machines, pick_machines
from analytics.fleet_records import encode, life_records
from analytics.histories import ComponentUnits, Lines, Machines, Names, machine_slices, place_machine
from analytics.part_chains import whole_chains
from analytics.spells import Cell
from analytics.unit_life import REMOVAL_OF_REASON, live
from tests.analytics.history_oracle import COLUMNS, plain_records

NAMES = Names(tuple(Cell("Tindrake", "TD", f"model {k}") for k in range(3)), ("a", "b", "c", "d"), ("one", "two"))
ACTIONS = ("renewed", "repaired", "checked_good", "checked_bad", "original", "swapped", "renewed", "checked_good")
WHOLE = ("seen", "seen", "seen", "gone", "clock_changed")
REASONS = tuple(REMOVAL_OF_REASON)
UNITS = [
    ComponentUnits(0, "one part", True, [(-1,)] * 3, {1: (735_000.0, 735_800.0)}),
    ComponentUnits(1, "left and right", False, [(0, 1)] * 3, {0: (735_400.0,)}, frozenset({3, 8})),
    ComponentUnits(2, "by family", True, [(0, 1, 2), (-1,), ()], {2: (734_900.0,)}, frozenset({1})),
    ComponentUnits(3, "never named", True, [(-1,)] * 3),
    ComponentUnits(4, "nowhere", False, [(), (1,), (-1,)]),
]


def messy(seed: int, machines: int) -> tuple[Lines, Machines]:
    """Machines with up to 30 lines each: undated, unread, told, doubted, falling, in no order, on several clocks."""
    rng = np.random.default_rng(seed)
    machine = np.repeat(np.arange(machines), rng.integers(1, 30, machines))
    n = len(machine)
    tidy = rng.random(machines)[machine]  # some machines are kept well, some badly
    start = rng.integers(733_000, 735_000, machines)[machine].astype(float)
    since = rng.integers(0, 4000, n)
    day = start + since[np.lexsort((since, machine))] + rng.integers(-40, 40, n) * (tidy < 0.5)
    per_day = rng.uniform(2, 30, machines)[machine]
    reading = np.maximum((day - start) * per_day + rng.normal(0, 800, n) * (tidy < 0.7), 0)
    day[rng.random(n) < 0.3 * (tidy < 0.4)] = np.nan
    reading[rng.random(n) < 0.4 * (tidy < 0.6)] = np.nan
    order = np.lexsort((np.where(rng.random(n) < 0.8, np.nan_to_num(day), 0.0), machine))
    whole = rng.random(n) < 0.35
    action = np.where(whole, rng.choice(WHOLE, n, p=[0.5, 0.2, 0.2, 0.03, 0.07]), rng.choice(ACTIONS, n))
    action[(action == "clock_changed") & (tidy > 0.3)] = "seen"
    new_day = np.where(rng.random(machines) < 0.2, np.nan, 733_000.0 + rng.integers(0, 1500, machines))
    source = rng.choice(["card", "card", "card", "papers", "told"], n)
    source[machine == 7] = "told"  # a machine that no card ever saw
    lines = Lines(
        machine=machine,
        card=np.where(rng.random(n) < 0.4, machine * 50, machine * 50 + rng.integers(0, 30, n)),
        day=day[order],
        reading_km=np.round(reading[order], 1),
        component=np.where(whole, -1, rng.choice([0, 1, 2, 4], n)),
        position=np.where(rng.random(n) < 0.4, -1, rng.integers(0, 4, n)),
        action=action.tolist(),
        reason=rng.choice(REASONS, n).tolist(),
        source=source.tolist(),
        quality=rng.integers(0, 4, n),
        in_doubt=rng.random(n) < 0.15 * (tidy < 0.8),
        separate=rng.random(n) < 0.1 if seed % 2 else None,
    )
    cell, shop = rng.integers(0, 3, machines), rng.integers(0, 2, machines)
    first = np.where(rng.random(machines) < 0.3, np.nan, 733_000.0 + rng.integers(-200, 1500, machines))
    built = (first, first + rng.integers(0, 700, machines)) if seed % 3 else (None, None)
    return lines, Machines(cell, shop, new_day, *built)


@pytest.mark.parametrize("seed", range(40))
def test_columns_give_the_same_spells_as_machine_by_machine(seed):
    lines, machines = messy(seed, 40)
    found, wanted = life_records(lines, machines, UNITS, NAMES), plain_records(lines, machines, UNITS)
    assert found.keys() == wanted.keys() == {"one part", "left and right", "by family", "nowhere"}
    for slug, spells in found.items():
        assert len(spells) == len(wanted[slug]) > 20
        for name, column in zip(COLUMNS, zip(*wanted[slug], strict=True), strict=True):
            np.testing.assert_array_equal(getattr(spells, name), np.array(column, dtype=float), err_msg=name)


@pytest.mark.parametrize("seed", range(40))
def test_columns_give_the_same_clocks_and_windows(seed):
    lines, machines = messy(100 + seed, 40)
    fleet = place_fleet(encode(lines), machines.new_day)
    placed = {m: place_machine(lines, rows, machines.new_day[m]) for m, rows in machine_slices(lines.machine)}
    watched = {m: one for m, one in placed.items() if one is not None}
    assert fleet.machine.tolist() == list(watched) and len(watched) < len(placed)
    for k, one in enumerate(watched.values()):
        mine = fleet.owner == k
        np.testing.assert_array_equal(fleet.km[mine], [e.km for _, _, e in one.events])
        np.testing.assert_array_equal(fleet.days[mine], [e.days for _, _, e in one.events])
        seen = slice(fleet.seen_from[k], fleet.seen_from[k + 1])
        watch = one.watch._replace(seen_days=(), seen_km=())
        assert (one.watch.seen_days, one.watch.seen_km) == (tuple(fleet.seen_days[seen]), tuple(fleet.seen_km[seen]))
        names = ("start_km", "start_days", "end_km", "end_days", "gone", "ends_on_failure")
        assert tuple(getattr(fleet, name)[k] for name in names) == watch[:6]
        assert fleet.new_day[k] == one.new_day


@pytest.mark.parametrize("seed", range(20))
def test_columns_give_the_same_parts_at_the_end(seed):
    """A line that names no position speaks of all; what is in doubt of a machine without the part is nothing."""
    lines, machines = messy(200 + seed, 40)
    fleet = place_fleet(encode(lines), machines.new_day)
    placed = [place_machine(lines, rows, machines.new_day[m]) for m, rows in machine_slices(lines.machine)]
    absent = np.random.default_rng(seed).random(len(fleet.machine)) < 0.2
    watched = [one for one in placed if one is not None]
    for units in UNITS[:3]:
        rows = np.flatnonzero(fleet.component == units.index)
        chains, position = whole_chains(fleet, rows, units.positions_by_cell, machines.cell[fleet.machine], absent)
        found = parts_at_end(chains, fleet)
        wanted = {}
        for k, one in enumerate(watched):
            mine = [(p, event) for c, p, event in one.events if c == units.index]
            base = units.positions_by_cell[int(machines.cell[fleet.machine[k]])]
            named = {p for p, _ in mine if p >= 0}
            for p in () if absent[k] else sorted(named | set(base) - ({-1} if named else set())):
                now = live([e for at, e in mine if at in (p, -1)], one.watch, shown_by_running=False).now
                wanted[k, p] = [getattr(now, name) for name in NowColumns._fields]
        got = {(k, p): row for k, p, *row in zip(chains.owner.tolist(), position.tolist(), *found, strict=True)}
        assert got.keys() == wanted.keys()
        for key, row in got.items():
            np.testing.assert_array_equal(np.array(row, dtype=float), np.array(wanted[key], dtype=float), str(key))
        assert units.index or sum(not row[4] for row in wanted.values()) > 0


def test_no_lines_give_no_records():
    lines, machines = messy(1, 3)
    nothing = Lines(*(column[:0] for column in list(lines.__dict__.values())[:-1]))
    assert life_records(nothing, machines, UNITS, NAMES) == {}


@pytest.mark.parametrize("seed", range(12))
def test_machines_taken_out_and_put_in_are_where_they_would_be(seed):
    lines, machines = messy(seed, 30)
    whole = place_fleet(encode(lines), machines.new_day)
    rng = np.random.default_rng(seed)
    there = rng.random(len(whole.machine)) < rng.choice([0.0, 0.6, 1.0])
    left = there & (rng.random(len(there)) < rng.choice([0.0, 0.1, 1.0]))
    come = (~there | left) & (rng.random(len(there)) < rng.choice([0.0, 0.3, 1.0]))
    one, two = pick_machines(whole, there), pick_machines(whole, come)
    found = exchange_machines(one, left[there], two)
    wanted = pick_machines(whole, (there & ~left) | come)
    for field in fields(FleetLines):
        np.testing.assert_array_equal(getattr(found, field.name), getattr(wanted, field.name))
