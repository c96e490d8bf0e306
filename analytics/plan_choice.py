"""Solve the choice of checks exactly.

The choice is an integer programme (scipy's `milp`, HiGHS): x_k takes option k, y_g opens access group g, and for
parts that several options look at, z_S says that the options S of theirs are the ones counted, so that diminishing
returns enter exactly and not as a sum of single worths.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from analytics.access import opened_by
from analytics.check_worth import Choice, PartWorth
from analytics.errors import AnalyticsError
from analytics.planning_types import AccessGroup, CheckOption, Circumstances

NOTHING = 1e-12  # share of all worths: a difference below it is rounding
SAFETY_BONUS = 2.0  # worths are scaled to sum to at most 1, so one safety check outweighs every worth together


class PlanNotFound(AnalyticsError):
    """The solver gave no plan; not seen with valid input, and never passed off as an empty plan."""


class _Rows:
    """Constraint rows gathered one by one: low <= sum of coefficient * variable <= high."""

    def __init__(self) -> None:
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, terms: Mapping[int, float], low: float, high: float) -> None:
        self.entries += [(len(self.low), column, value) for column, value in terms.items()]
        self.low.append(low)
        self.high.append(high)

    def constraint(self, width: int) -> LinearConstraint:
        rows, columns, values = zip(*self.entries, strict=True)
        matrix = coo_array((values, (rows, columns)), shape=(len(self.low), width)).tocsr()
        return LinearConstraint(matrix, np.array(self.low), np.array(self.high))


def choose(
    possible: Sequence[CheckOption],
    groups: Mapping[str, AccessGroup],
    worths: Sequence[PartWorth],
    circumstances: Circumstances,
) -> list[CheckOption]:
    """Solve the integer programme: the options to take.

    Variables are options x, access groups y, then choices z of parts that several options look at.
    """
    if not possible:
        return []
    x = {o.id: i for i, o in enumerate(possible)}
    needed = {o.access_group for o in possible} - open_already(circumstances, groups)
    opens = {g: opened_by(g, groups) for g in groups}
    usable = [g for g in groups if opens[g] & needed]
    y = {g: len(x) + i for i, g in enumerate(usable)}
    gain = [SAFETY_BONUS if o.safety_class_a else 0.0 for o in possible] + [0.0] * len(y)
    rows = _Rows()
    rows.add(
        {x[o.id]: o.minutes for o in possible} | {y[g]: groups[g].minutes for g in usable}, 0.0, circumstances.minutes
    )
    for option in possible:
        if option.access_group in needed:
            ways = {y[g]: -1.0 for g in usable if option.access_group in opens[g]}
            rows.add({x[option.id]: 1.0} | ways, -np.inf, 0.0)
    for parent in dict.fromkeys(o.parent for o in possible):
        rows.add({x[o.id]: 1.0 for o in possible if o.parent == parent}, 0.0, 1.0)
    for option in possible:
        for parent in option.needs:
            met = {x[o.id]: -1.0 for o in possible if o.parent == parent}
            if met:
                rows.add({x[option.id]: 1.0} | met, -np.inf, 0.0)
    _add_worths(worths, x, gain, rows)
    found = milp(
        -np.array(gain),
        constraints=rows.constraint(len(gain)),
        integrality=np.ones(
            len(gain), dtype=np.int64
        ),  # z follow from x, but the solver's root bound is twice as fast told so
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "presolve": False},  # looking for what to leave out took longer than it saves
    )
    if found.x is None or not found.success:
        raise PlanNotFound(f"no plan was found ({found.message}); check minutes, shares and losses for extreme values")
    return [o for o in possible if found.x[x[o.id]] > 0.5]


def _add_worths(worths: Sequence[PartWorth], x: Mapping[str, int], gain: list[float], rows: _Rows) -> None:
    """Put worths into the objective, scaled; parts seen by one check, or one variant of it, need no z."""
    scale = sum(max(worth.table.values()) for worth in worths) or 1.0
    for worth in worths:
        if max(map(len, worth.table)) == 1:
            for choice, value in worth.table.items():
                for id_ in choice:
                    gain[x[id_]] += value / scale
            continue
        told = _told_apart(worth.table, NOTHING * scale)
        z = {choice: len(gain) + i for i, choice in enumerate(told)}
        gain += [value / scale for value in told.values()]
        rows.add(dict.fromkeys(z.values(), 1.0), 1.0, 1.0)
        for id_ in worth.options:
            counted = {column: 1.0 for choice, column in z.items() if id_ in choice}
            if counted:
                rows.add(counted | {x[id_]: -1.0}, -1.0, 0.0)


def _told_apart(table: Mapping[Choice, float], nothing: float) -> dict[Choice, float]:
    """Choices that no smaller one is worth as much as: a larger choice may be counted as a part of it."""
    return {
        choice: value
        for choice, value in table.items()
        if not any(value - table[choice - {id_}] <= nothing for id_ in choice)
    }


def open_already(circumstances: Circumstances, groups: Mapping[str, AccessGroup]) -> set[str]:
    free = {g.id for g in groups.values() if g.minutes == 0} | set(circumstances.open_groups)
    return {inner for g in free if g in groups for inner in opened_by(g, groups)}
