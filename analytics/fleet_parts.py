"""A fleet's parts as columns, one set a component, sorted into the groups that the outlook reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from analytics.age_groups import superseded_group, unknown_group
from analytics.fleet_draws import JOINT, JointLives, LifeKey, joint_lives
from analytics.fleet_types import Fleet, FleetGroup, FleetMachine
from analytics.life_model_types import PartState
from analytics.part_issues import told_issues
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Floats, Ints
from analytics.state_columns import StateColumns

_CHUNK = 128  # parts of unknown age worked together: their ages stay in the processor's cache


@dataclass(frozen=True)
class PartsOfComponent:
    """The parts of one component that work now, columns of shape (p,).

    Attributes
    ----------
    component : str
    part : (p,) int
        The part's number in the fleet; numbers of all components together run from 0 without a gap.
    machine : (p,) int
    position : (p,) int
        Among the fleet's names of positions; -1 for none.
    stratum, renewal_stratum, quality : (p,) int
        As in `PartState`; a `renewal_stratum` of None stands as `stratum`.
    states : StateColumns
    issues : tuple of tuple of float
        What `PartState.issues` are among these parts, the first empty.
    odds : (p,) int, or None
        Place of each part's among `issues`; None: the first for all.
    """

    component: str
    part: Ints
    machine: Ints
    position: Ints
    stratum: Ints
    renewal_stratum: Ints
    quality: Ints
    states: StateColumns
    issues: tuple[tuple[float, ...], ...] = ((),)
    odds: Ints | None = None


def fleet_of(table: RiskTable, machines: Sequence[FleetMachine]) -> Fleet:
    """Sort the parts of a fleet by component; parts of unknown start get one possible age in each draw.

    Raises
    ------
    UnknownComponent
        A state of a component without a fit.
    """
    cells = list(dict.fromkeys(m.cell for m in machines))
    at = {cell: k for k, cell in enumerate(cells)}
    flat = [(m, s) for m, machine in enumerate(machines) for s in machine.states]
    names = sorted({s.position for _, s in flat if s.position is not None})
    by_component: dict[str, list[tuple[int, int, PartState]]] = {}
    for number, (m, s) in enumerate(flat):
        by_component.setdefault(s.component, []).append((number, m, s))
    place = {None: -1} | {name: k for k, name in enumerate(names)}
    parts = [
        PartsOfComponent(
            component,
            np.array([number for number, _, _ in mine], dtype=np.int64),
            np.array([m for _, m, _ in mine], dtype=np.int64),
            np.array([place[s.position] for _, _, s in mine], dtype=np.int64),
            np.array([s.stratum for _, _, s in mine], dtype=np.int64),
            np.array([s.stratum if s.renewal_stratum is None else s.renewal_stratum for _, _, s in mine], np.int64),
            np.array([s.quality for _, _, s in mine], dtype=np.int64),
            StateColumns.of([s for _, _, s in mine]),
            *told_issues([s.issues for _, _, s in mine]),
        )
        for component, mine in by_component.items()
    ]
    cell = np.array([at[m.cell] for m in machines], dtype=np.int64)
    return fleet_of_parts(table, cells, cell, np.array([m.km_per_day for m in machines], dtype=float), parts, names)


def fleet_of_parts(
    table: RiskTable,
    cells: Sequence[Cell],
    cell: Ints,
    km_per_day: Floats,
    parts: Sequence[PartsOfComponent],
    positions: Sequence[str],
) -> Fleet:
    """The same from columns.

    Parameters
    ----------
    table : RiskTable
    cells : sequence of Cell
    cell : (machines,) int
        Each machine's among `cells`.
    km_per_day : (machines,) float
    parts : sequence of PartsOfComponent
        Each component once.
    positions : sequence of str
        Names behind the indices of positions.

    Raises
    ------
    UnknownComponent
        There is no fit for a component.
    """
    count = sum(len(p.part) for p in parts)
    part_machine, part_component = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    groups: list[FleetGroup] = []
    for number, mine in enumerate(parts):
        part_machine[mine.part], part_component[mine.part] = mine.machine, number
        lives, key, new = _lives(table, mine, cells, cell, positions)
        known = ~np.isnan(mine.states.part_km)
        superseded = ~known & (new != key) & ~mine.states.used
        for kind, which in (("known", known), ("superseded", superseded), ("unknown", ~known & ~superseded)):
            at = np.flatnonzero(which)
            if len(at):
                groups.append(_group(lives, kind, mine, at, (key[at], new[at])))
    return Fleet(tuple(p.component for p in parts), km_per_day, tuple(groups), part_machine, part_component)


def _lives(
    table: RiskTable, mine: PartsOfComponent, cells: Sequence[Cell], cell: Ints, positions: Sequence[str]
) -> tuple[JointLives, Ints, Ints]:
    """The lives of a component in this fleet, and which each part and its replacement have."""
    own = cell[mine.machine]
    none = np.zeros(len(own), dtype=np.int64)
    fitted = mine.stratum, none if mine.odds is None else mine.odds
    both = np.concatenate(
        [
            np.column_stack([own, stratum, mine.position, mine.quality, odds])
            for stratum, odds in (fitted, (mine.renewal_stratum, none))
        ]
    )
    different, which = np.unique(both, axis=0, return_inverse=True)
    keys = [
        LifeKey(mine.component, cells[c], stratum, positions[p] if p >= 0 else None, quality, mine.issues[odds])
        for c, stratum, p, quality, odds in different.tolist()
    ]
    key, new = which.ravel()[: len(own)], which.ravel()[len(own) :]
    return joint_lives(table, keys), key, new


def _group(lives: JointLives, kind: str, mine: PartsOfComponent, at: Ints, keys: tuple[Ints, Ints]) -> FleetGroup:
    part, machine, states = mine.part[at], mine.machine[at], mine.states.take(at)
    if kind == "known":
        km, days = (
            getattr(states, f"part_{c}") - lives.restored_share * np.nan_to_num(getattr(states, f"repair_{c}"))
            for c in ("km", "days")
        )
        return FleetGroup(lives, part, machine, *keys, km, days)
    nowhere = np.full(len(at), np.nan)
    return FleetGroup(lives, part, machine, *keys, nowhere, nowhere, _drawn_ages(states, lives, keys, kind))


class _Drawn(NamedTuple):
    """Ages drawn for parts in these states, with these lives."""

    states: StateColumns
    keys: Ints  # (2, parts)
    ages: tuple[Floats, Floats, Floats]


# The ages last drawn of a component, by kind; they go with its lives. When a shop writes a line down, one machine of a
# thousand is in another state.
_held: WeakKeyDictionary[JointLives, dict[str, _Drawn]] = WeakKeyDictionary()


def _drawn_ages(
    states: StateColumns, lives: JointLives, keys: tuple[Ints, Ints], kind: str
) -> tuple[Floats, Floats, Floats]:
    """One age a draw from each part's mixture, and the life that goes with it, each (draws, parts).

    What was drawn last for as many parts stays for those whose state is the same.
    """
    held, both = _held.setdefault(lives, {}), np.array(keys)
    before = held.get(kind)
    if before is None or len(before.states) != len(states):
        ages = np.empty((3, JOINT, len(states)))
        _draw_ages(ages, np.arange(len(states)), states, lives, keys, kind)
    else:
        new = np.flatnonzero(states.differs(before.states) | (both != before.keys).any(axis=0))
        if not len(new):
            return before.ages
        ages = np.stack(before.ages)
        _draw_ages(ages, new, states, lives, keys, kind)
    held[kind] = _Drawn(states, both, (ages[0], ages[1], ages[2]))
    return held[kind].ages


def _draw_ages(
    out: Floats, parts: Ints, states: StateColumns, lives: JointLives, keys: tuple[Ints, Ints], kind: str
) -> None:
    """Draw for some of the parts, in place, (3, draws, all parts)."""
    n = len(states)
    # spread evenly over the draws of each part, in an order of its own
    wanted = (np.argsort(np.random.default_rng(n).random((n, JOINT)), axis=1) + 0.5) / JOINT
    for begin in range(0, len(parts), _CHUNK):
        some = parts[begin : begin + _CHUNK]
        key, new = keys[0][some], keys[1][some]
        many, at = lives.of_parts(key), np.arange(len(key))
        if kind == "unknown":
            group = unknown_group(states.take(some), many, at)
        else:
            group = superseded_group(states.take(some), many, at, lives.of_parts(new))
        total = np.cumsum(np.broadcast_to(group.weight, group.age.shape), axis=2)
        pick = (total < wanted[some][..., None] * total[..., -1:]).sum(axis=2)
        pick = np.minimum(pick, total.shape[2] - 1)[..., None]
        for k, column in enumerate((group.age, group.log_theta, group.shape)):
            out[k][:, some] = np.take_along_axis(np.broadcast_to(column, group.age.shape), pick, axis=2)[..., 0].T
