"""Life records of whole fleets: job lines in, one `Spells` a component out, over columns.

What is counted, and why, is said in `analytics.histories`; what each kind of line does, in `analytics.unit_life`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from operator import itemgetter

import numpy as np

from analytics.fleet_clocks import FleetLines, place_fleet
from analytics.fleet_lives import SpellColumns, live_all
from analytics.history_types import ComponentUnits, Lines, Machines, Names
from analytics.line_columns import ACTION_CODES, REASON_CODES, Action, LineColumns, codes_of
from analytics.part_chains import part_chains
from analytics.part_issues import build_span, issue_odds, strata_of
from analytics.spells import Floats, Ints, Spells

_NOT_OF_SPELLS = ("chain", "after_campaign")


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
    fleet = place_fleet(encode(lines), machines.new_day)
    named = set(np.unique(lines.component).tolist())
    rows = lines_by_component(fleet)
    return {u.slug: component_records(fleet, rows, u, machines, names) for u in components if u.index in named}


def encode(lines: Lines) -> LineColumns:
    """The same lines as columns of codes."""
    count = len(lines.machine)
    return LineColumns(
        machine=lines.machine,
        card=lines.card,
        day=lines.day,
        reading_km=lines.reading_km,
        component=lines.component,
        position=lines.position,
        action=codes_of(lines.action, ACTION_CODES),
        reason=codes_of(lines.reason, REASON_CODES),
        from_card=codes_of(lines.source, {"card": 1}).astype(bool),
        quality=lines.quality.astype(np.int8),
        in_doubt=np.asarray(lines.in_doubt, dtype=bool),
        separate=np.zeros(count, dtype=bool) if lines.separate is None else lines.separate,
    )


def lines_by_component(fleet: FleetLines) -> dict[int, Ints]:
    """Rows of the fleet's lines that concern each component, rising; under -1 those that concern every one."""
    order = np.argsort(fleet.component, kind="stable")
    found, first = np.unique(fleet.component[order], return_index=True)
    rows = dict(zip(found.tolist(), np.split(order, first[1:]), strict=True)) if len(order) else {}
    whole = rows.get(-1, order[:0])
    # a clock change in doubt puts the distance of every part in doubt
    broken = whole[(fleet.action[whole] == Action.CLOCK_CHANGED) & fleet.in_doubt[whole]]
    return {**rows, -1: broken}


def component_records(
    fleet: FleetLines, rows: Mapping[int, Ints], units: ComponentUnits, machines: Machines, names: Names
) -> Spells:
    """Life records of one component; `rows` from `lines_by_component`."""
    own, broken = rows.get(units.index, rows[-1][:0]), rows[-1]
    concerned = np.sort(np.concatenate([own, broken])) if len(broken) else own
    absent = np.isin(fleet.machine, list(units.absent_on)) if units.absent_on else np.zeros(len(fleet.machine), bool)
    absent[fleet.owner[own[~fleet.in_doubt[own]]]] = False  # a line that stands says that this machine carries one
    cell = machines.cell[fleet.machine]
    parts = part_chains(fleet, concerned, units.positions_by_cell, cell, absent)
    lives = live_all(parts.chains, fleet, shown_by_running=units.shown_by_running)
    row, stratum, share = _issues(units, machines, fleet, parts.chains.owner[lives.chain], lives)
    if len(row) != len(lives.chain):
        lives = SpellColumns._make(column[row] for column in lives)
    owner = parts.chains.owner[lives.chain]
    machine = fleet.machine[owner]
    return Spells(
        machine=machine,
        shop=machines.shop[machine],
        cell=cell[owner],
        position=parts.position[lives.chain],
        stratum=stratum,
        weight=parts.weight[lives.chain] * share,
        cells=names.cells,
        positions=names.positions,
        shops=names.shops,
        **{name: column for name, column in lives._asdict().items() if name not in _NOT_OF_SPELLS},
    )


def _issues(
    units: ComponentUnits, machines: Machines, fleet: FleetLines, owner: Ints, lives: SpellColumns
) -> tuple[Ints, Ints, Floats]:
    """Which issue of a superseded part each spell is of: its row, stratum and share; one row for each it can be of."""
    cell = machines.cell[fleet.machine[owner]]
    issues = 1 + max((len(changes) for changes in units.changes_by_cell.values()), default=0)
    share = np.zeros((len(owner), 1 + issues))  # the first column: of a model without issues
    share[:, 0] = 1.0
    for c, changes in units.changes_by_cell.items():
        i = np.flatnonzero(cell == c)
        unknown_start = np.isnan(lives.start_days[i])
        at_first_sight = np.where(lives.not_original[i], lives.entry_days[i], 0.0)
        since_new = np.where(unknown_start, at_first_sight, lives.start_days[i])
        share[i] = 0.0
        by_day = strata_of(changes, fleet.new_day[owner[i]] + since_new)
        share[i, 1 + np.where(lives.after_campaign[i], len(changes), by_day)] = 1.0
        of_factory = i[(since_new <= 0.0) & ~lives.not_original[i]]
        at = owner[of_factory]
        new_day, seen = fleet.new_day[at], fleet.new_day[at] + fleet.start_days[at]
        span = build_span(new_day, machines.built_between(fleet.machine[at]), seen)
        share[of_factory, 1 : 2 + len(changes)] = issue_odds(changes, *span)
    row, column = np.nonzero(share)
    return row, column - 1, share[row, column]


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
