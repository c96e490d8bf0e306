"""Which lines speak of which position: the lines of one component on a whole fleet, sorted into chains.

A line that names a position belongs to it. One that names none, on a machine with n of them: a check, or "still
original", speaks of all; a renewal or a bad check belongs to each with weight 1/n, and every way to read the history
is a chain of its own with its weight. With more than `MOST_UNPLACED_LINES` of them the lines break the history off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analytics.fleet_clocks import FleetLines
from analytics.fleet_lives import Chains
from analytics.line_columns import Action
from analytics.segments import in_order, run_of_row, starts_of
from analytics.spells import Bools, Floats, Ints

# A second line without a position in one history doubles the ways it can be read; beyond this many the
# lines break the history off instead.
MOST_UNPLACED_LINES = 2


@dataclass(frozen=True)
class PartChains:
    """Chains of one component: by machine, then position, then way to read the lines; columns of shape (c,)."""

    chains: Chains
    position: Ints
    weight: Floats


def whole_chains(
    fleet: FleetLines, rows: Ints, positions_by_cell: Sequence[tuple[int, ...]], cell: Ints, absent: Bools
) -> tuple[Chains, Ints]:
    """One chain a position, with its name: a line that names no position speaks of each of them.

    That is how a single machine's question reads its lines; arguments as in `part_chains`. A machine that lacks the
    part has no chain, whatever is in doubt about it.
    """
    owner, position = fleet.owner[rows], fleet.position[rows]
    here = ~absent[owner]
    rows, owner, position = rows[here], owner[here], position[here]
    carried = _carried(owner, position, positions_by_cell, cell, absent)
    told = _told(carried, owner, position, rows, np.zeros(len(rows), dtype=bool), len(cell))
    start = np.concatenate([[0], np.cumsum(np.bincount(told.where, minlength=len(carried.owner)))])
    return Chains(carried.owner, start, told.line, told.unplaced), carried.position


class _Positions(NamedTuple):
    """Positions carried, by machine (its place in the fleet), each machine's in order."""

    owner: Ints
    position: Ints


class _Told(NamedTuple):
    """Lines given to positions (rows of `_Positions`), sorted by position, then in order of time."""

    where: Ints
    line: Ints
    unplaced: Bools  # names no position, and says something that can be true of one of them only


def part_chains(
    fleet: FleetLines, rows: Ints, positions_by_cell: Sequence[tuple[int, ...]], cell: Ints, absent: Bools
) -> PartChains:
    """Sort lines into chains.

    Parameters
    ----------
    fleet : FleetLines
    rows : (r,) int
        Lines of the component, rising; lines about a whole machine among them name no position.
    positions_by_cell : sequence of tuple
        As in `analytics.histories.ComponentUnits`.
    cell, absent : (m,)
        Cell of each machine of the fleet, and whether it lacks the part though its model has it.
    """
    owner, position = fleet.owner[rows], np.where(fleet.component[rows] < 0, -1, fleet.position[rows])
    carried = _carried(owner, position, positions_by_cell, cell, absent)
    action = fleet.action[rows]
    one_only = (position < 0) & ((action == Action.RENEWED) | (action == Action.CHECKED_BAD))
    told = _told(carried, owner, position, rows, one_only, len(cell))
    share = 1.0 / np.bincount(carried.owner, minlength=len(cell))[carried.owner]
    return _read(carried, told, share)


def _carried(
    owner: Ints, position: Ints, positions_by_cell: Sequence[tuple[int, ...]], cell: Ints, absent: Bools
) -> _Positions:
    """The model's positions, then others that lines name; these alone where the model's have no names."""
    machines = len(cell)
    count = np.array([len(p) for p in positions_by_cell], dtype=np.int64)
    flat = np.array([p for positions in positions_by_cell for p in positions], dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(count)])
    here = np.where(absent, 0, count[cell])
    base_owner = np.repeat(np.arange(machines), here)
    place = np.arange(len(base_owner)) - np.repeat(np.cumsum(here) - here, here)
    base = flat[first[cell[base_owner]] + place] if len(base_owner) else base_owner
    named = owner[position >= 0] * _WIDE + position[position >= 0]
    if len(named):  # of most components no line names a position
        named = np.setdiff1d(named, base_owner * _WIDE + base)
    has_names = np.zeros(machines, dtype=bool)
    has_names[named // _WIDE] = True
    nameless = (base == -1) & (here[base_owner] == 1) & has_names[base_owner]
    all_owner = np.concatenate([base_owner[~nameless], named // _WIDE])
    all_position = np.concatenate([base[~nameless], named % _WIDE])
    order = in_order(all_owner)
    return _Positions(all_owner[order], all_position[order])


_WIDE = 1 << 20  # more than there are names of positions


def _told(carried: _Positions, owner: Ints, position: Ints, rows: Ints, one_only: Bools, machines: int) -> _Told:
    key = carried.owner * _WIDE + carried.position + 1
    by_key = in_order(key)
    placed = np.flatnonzero(position >= 0)
    where = by_key[np.searchsorted(key[by_key], owner[placed] * _WIDE + position[placed] + 1)]
    # one that names no position goes to all of its machine's
    unplaced = np.flatnonzero(position < 0)
    count = np.bincount(carried.owner, minlength=machines)
    first = np.cumsum(count) - count
    times = count[owner[unplaced]]
    again = np.repeat(unplaced, times)
    each = np.arange(len(again)) - np.repeat(np.cumsum(times) - times, times) + first[owner[again]]
    which = np.concatenate([placed, again])
    all_where = np.concatenate([where, each])
    order = np.lexsort((which, all_where))
    which, all_where = which[order], all_where[order]
    several = count[owner[which]] > 1
    return _Told(all_where, rows[which], one_only[which] & several & (carried.position[all_where] >= 0))


def _read(carried: _Positions, told: _Told, share: Floats) -> PartChains:
    """Every way to read the lines of every position; most can be read one way only."""
    positions = len(carried.owner)
    doubtful = np.bincount(told.where[told.unplaced], minlength=positions)
    too_many = doubtful > MOST_UNPLACED_LINES
    choices = np.where(too_many, 0, doubtful)
    ways = 1 << choices
    first_chain = np.cumsum(ways) - ways
    of_chain = np.repeat(np.arange(positions), ways)
    way = np.arange(len(of_chain)) - first_chain[of_chain]
    # bit j of a way says whether the j-th line from the back is taken to be of another position
    chosen = told.unplaced & ~too_many[told.where]
    nth = _count_before(told.where, chosen)
    bit = choices[told.where] - 1 - nth
    times = ways[told.where]
    again = np.repeat(np.arange(len(told.where)), times)
    its_way = np.arange(len(again)) - np.repeat(np.cumsum(times) - times, times)
    keep = ~chosen[again] | ((its_way >> np.maximum(bit[again], 0)) & 1 == 0)
    again, its_way = again[keep], its_way[keep]
    chain = first_chain[told.where[again]] + its_way
    order = in_order(chain)
    start = np.concatenate([[0], np.cumsum(np.bincount(chain, minlength=len(of_chain)))])
    broken = told.unplaced & too_many[told.where]
    chains = Chains(carried.owner[of_chain], start, told.line[again][order], broken[again][order])
    return PartChains(chains, carried.position[of_chain], _weight(choices[of_chain], way, share[of_chain]))


def _count_before(where: Ints, chosen: Bools) -> Ints:
    """How many chosen lines of the same position stand before each line."""
    starts = starts_of(where)
    before: Ints = np.cumsum(chosen) - chosen
    return before - before[starts][run_of_row(starts, len(where))] if len(where) else before


def _weight(choices: Ints, way: Ints, share: Floats) -> Floats:
    weight = np.ones(len(way))
    for j in range(MOST_UNPLACED_LINES):
        other = (way >> j) & 1 == 1
        weight *= np.where(j < choices, np.where(other, 1.0 - share, share), 1.0)
    return weight
