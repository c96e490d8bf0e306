"""A model's parts may wear by another clock than the component's: where most age, one model's may wear by distance.

The clock weight w of a component is common to all models. Model m keeps to it with probability 1 - e, and has another
one w' with e q(w' | w), q falling with the distance |w' - w|. Its failures and exposure at each clock, its scale
maximised out, tell them apart:

    P(w' | m, w) ~ pi_e(w' | w) exp(PL_m(w') - PL_m(w)),    PL_m(w) = sum over its cells of G - D log E

e is averaged over its posterior from all models of all components (`spread_prior`), of one where it is fitted alone.
Spells of unknown start and finds do not speak in PL (they are worked at the component's clocks only); they count in the
shift of scale, log E(w) - log E(w'), that keeps the failures expected of a model's records. A model without records has
w' with its prior odds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.clock_shares import SHARES
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pooling_layout import Layout
from analytics.shape_deviation import profile
from analytics.shape_proposal import Proposal

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_REACH = 0.5  # of q, in w; invented
_LEAST_ODDS = 0.02  # clocks less likely than this are left out: each costs time in every answer


@dataclass(frozen=True)
class OwnClock:
    """Odds of each clock, and the shift of log(theta) it brings, by clock of the node: (w, w', groups of cells)."""

    odds: Floats
    shift: Floats

    @property
    def silent(self) -> bool:
        """Whether every model keeps to the component's clock."""
        same = np.eye(len(CLOCK_WEIGHTS), dtype=bool)
        return not self.odds[~same].any()


def share_evidence(layout: Layout | None, proposal: Proposal) -> Floats:
    """Log evidence of each of `SHARES` from all models of one component, (shares,); empty without records."""
    if layout is None:
        return np.zeros(0)
    at = int(np.argmax(proposal.probability))
    shape = float(np.exp(proposal.log_shape[at][int(np.argmax(proposal.log_density[at]))]))
    clock = int(proposal.clocks[at])
    joint = _joint(_gains(layout, clock, shape)[0], clock)
    return np.asarray(np.log(joint[..., :-1].sum(axis=1)).sum(axis=1))


def own_clock(
    layout: Layout, clock: Ints, shape: Floats, weight: Floats, groups: list[Ints], log_shares: Floats
) -> OwnClock:
    """Clock of each model's parts beside that of the nodes.

    Parameters
    ----------
    clock, shape, weight : (nodes,)
        Clock index, shape and weight of each node.
    groups : list of (k,) int arrays
        Cells behind each row of the answer that is about one model; empty for others.
    log_shares : (shares,)
        Log of the weights of `SHARES`.
    """
    count = len(CLOCK_WEIGHTS)
    odds = np.repeat(np.eye(count)[..., None], len(groups), axis=2)
    shift = np.zeros((count, count, len(groups)))
    sizes = np.array([len(cells) for cells in groups])
    held = np.flatnonzero(sizes)
    cells, starts = np.concatenate([np.zeros(0, dtype=np.int64), *groups]), np.r_[0, np.cumsum(sizes[held])[:-1]]
    lead = np.full(len(groups), -1)  # a cell of each group
    lead[held] = cells[starts[: len(held)]]
    for w in np.unique(clock):
        mine = clock == w
        middle = float(np.exp(np.average(np.log(shape[mine]), weights=weight[mine])))
        gain, of_model = _gains(layout, int(w), middle)
        by_model = _odds(_joint(gain, int(w)), log_shares)
        odds[w] = by_model[:, np.where(lead >= 0, of_model[lead], -1)]
        if not len(held):
            continue
        exposure = _exposure(layout, int(w), np.full(count, middle))
        total = np.add.reduceat(exposure[:, cells], starts, axis=1)
        shift[w][:, held] = np.log(total[w] / total)
    return OwnClock(odds, np.where(odds > 0, shift, 0.0))


def _gains(layout: Layout, w: int, shape: float) -> tuple[Floats, Ints]:
    """PL over that of clock `w`, (w', models + 1), the last one without records; model of each cell."""
    names = [(k.make, k.family, k.model) for k in layout.keys]
    index = {name: at for at, name in enumerate(dict.fromkeys(names))}
    of_model = np.array([index[name] for name in names])
    ordinary = np.array([not key.pattern for key in layout.keys])
    count = len(CLOCK_WEIGHTS)
    value = profile(replace(layout, soft=None), np.arange(count), np.full(count, shape))
    rows = (value - value[w])[:, ordinary]
    return np.array([np.bincount(of_model[ordinary], r, len(index) + 1) for r in rows], dtype=float), of_model


def _joint(gain: Floats, w: int) -> Floats:
    """pi_e(w' | w) exp(gain), (shares, w', models), each up to a factor."""
    near = np.exp(-np.abs(CLOCK_WEIGHTS - CLOCK_WEIGHTS[w]) / _REACH)
    near[w] = 0.0
    near /= near.sum()
    stay = np.eye(len(CLOCK_WEIGHTS))[w]
    prior = (1.0 - SHARES)[:, None] * stay + SHARES[:, None] * near
    return np.asarray(prior[:, :, None] * np.exp(np.maximum(gain - gain.max(axis=0), -300.0)))


def _odds(joint: Floats, log_shares: Floats) -> Floats:
    """Posterior of the clock of each model, (w', models)."""
    chance = np.exp(log_shares - log_shares.max())
    out = np.einsum("s,swm->wm", chance / chance.sum(), joint / joint.sum(axis=1, keepdims=True))
    out[out < _LEAST_ODDS] = 0.0
    return np.asarray(out / out.sum(axis=0))


def _exposure(layout: Layout, w: int, shapes: Floats) -> Floats:
    """E of each cell at every clock, (w', cells); spells of unknown start as their machines' clocks have it."""
    every = np.arange(len(CLOCK_WEIGHTS))
    known = replace(layout, soft=None).exposure_at(every, shapes)
    if layout.soft is None:
        return known
    at = np.array([w])
    soft = layout.exposure_at(at, shapes[:1]) - known[w]
    scale = layout.soft.machines
    return known + np.maximum(soft * scale / scale[w], -0.9 * known)
