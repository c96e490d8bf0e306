"""Is the factory part still on? The chance of it, where nobody wrote down when the part was fitted.

The renewal mixture (`unknown_start`) weighs the original against every later part, given that the part works now;
the chance is its weight on the original, mean over the posterior of the life.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analytics.age_groups import groups_of, unknown_group
from analytics.life_model_types import PartState
from analytics.risk_draws import RiskTable
from analytics.spells import Cell


def chance_original(table: RiskTable, states: Sequence[PartState], cell: Cell) -> list[float]:
    """Chance that each part is the one the machine was built with.

    Parameters
    ----------
    table : RiskTable
    states : sequence of PartState
        A part of known start is the original where it is as old as the machine.
    cell : Cell
        Make, family and model of the machine.

    Returns
    -------
    list of float, in the order of `states`.
    """
    return [_of(table, state, cell) for state in states]


def _of(table: RiskTable, state: PartState, cell: Cell) -> float:
    if state.known_start:
        assert state.part_km is not None and state.part_days is not None
        return float(state.part_km >= state.machine_km - 1e-6 and state.part_days >= state.machine_days - 1e-6)
    if state.not_original or state.used:
        return 0.0
    draws = table.draw([state], cell)
    superseded = state.renewal_stratum is not None and state.renewal_stratum != state.stratum
    if superseded:
        (group,) = groups_of([state], draws, lambda some: table.draw_later(some, cell))
    else:
        group = unknown_group([state], draws, np.array([0]))
    return float((group.weight[0, :, -1] * draws.weight[0]).sum() / draws.weight[0].sum())
