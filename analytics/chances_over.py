"""Chance of each part to fail over a time of its own: what a backtest asks, where every part was watched differently.

Same posterior, same unknown starts as `analytics.risk`; only the spans differ from part to part.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analytics.age_groups import groups_of
from analytics.errors import InvalidObservations
from analytics.life_model_types import PartState
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Floats
from analytics.survival_draws import failure_chances

Span = tuple[Sequence[float] | float, Sequence[float] | float]


def chances_over(fits: RiskTable, states: Sequence[PartState], cell: Cell, spans: Sequence[Span]) -> Floats:
    """Mean chance of each part to fail within its own spans, 1 - exp(-(H(then) - H(now))) over the posterior.

    Parameters
    ----------
    fits : RiskTable
    states : sequence of PartState, n of them
        Parts of one machine; a part may occur more than once.
    cell : Cell
        Make, family and model of the machine.
    spans : sequence of (km, days), k of them
        Lengths of the spans on both clocks, each a number or (n,).

    Returns
    -------
    array (k, n)

    Raises
    ------
    InvalidObservations
        Spans that are no numbers of at least 0, or neither one number nor one a part.
    """
    n = len(states)
    lengths = [(_length(km, n, "km"), _length(days, n, "days")) for km, days in spans]
    if not n:
        return np.zeros((len(spans), 0))
    draws = fits.draw(states, cell)
    groups = groups_of(states, draws, lambda some: fits.draw_later(some, cell))
    return np.array([(chance * draws.weight).sum(axis=1) for chance in failure_chances(groups, draws, lengths)])


def _length(values: Sequence[float] | float, n: int, unit: str) -> Floats:
    out = np.asarray(values, dtype=float)
    if out.shape not in ((), (n,)):
        raise InvalidObservations(f"spans: give one length in {unit}, or one a part")
    if not (np.isfinite(out).all() and (out >= 0).all()):
        raise InvalidObservations(f"spans: lengths in {unit} must be numbers of at least 0")
    return np.broadcast_to(out, (n,))
