"""Few joint draws of the lives of a whole fleet's parts.

A single machine's question takes every draw of the posterior; a fleet's takes `JOINT` of them, one from each slot of
hyperparameters, so that totals can be added up draw by draw. Lives of one component share their hyperparameters and,
as far as their own records leave them to the component's, move together; what their own records tell is independent
from model to model.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np

from analytics.baseline import Bend
from analytics.component_fit import SLOTS, ComponentFit
from analytics.life_draws import LifeDraws, Tail
from analytics.life_model_types import PartState
from analytics.pattern_mix import PatternDraws
from analytics.risk_draws import RiskTable
from analytics.risk_pieces import PER_SLOT
from analytics.spells import Cell, Floats, Ints

JOINT = SLOTS
_SHARED_EFFECTS = ("make", "family", "pattern")
_FIRST = PER_SLOT * np.arange(SLOTS)


@dataclass(frozen=True)
class LifeKey:
    """Parts that share one life: same component, cell, stratum (or chances of each), position and quality."""

    component: str
    cell: Cell
    stratum: int = -1
    position: str | None = None
    quality: int = 0
    issues: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)  # itself, not its figures: what is worked out of it is kept by it
class JointLives:
    """The lives of one component in a fleet.

    clock_weight : (draws,), common to all; log_theta, shape, renewal_rate : (draws, keys).
    bend, tail : as in `risk_draws`, of these draws; `tail` is (edge, sd, normal (draws,)).
    """

    component: str
    keys: tuple[LifeKey, ...]
    clock_weight: Floats
    renewal_rate: Floats
    log_theta: Floats
    shape: Floats
    bend: Bend | None
    tail: tuple[float, float, Floats] | None
    restored_share: float
    pattern: PatternDraws | None = None  # by keys

    def of_parts(self, key: Ints) -> LifeDraws:
        """Draws for parts of these keys, as `survival_draws` reads them."""
        n = len(key)
        tail = None
        if self.tail is not None:
            tail = Tail(np.full(n, self.tail[0]), np.full(n, self.tail[1]), self.tail[2])
        return LifeDraws(
            log_theta=self.log_theta[:, key].T.copy(),
            shape=self.shape[:, key].T.copy(),
            clock_weight=np.repeat(self.clock_weight[None], n, axis=0),
            weight=np.full((n, JOINT), 1.0 / JOINT),
            renewal_rate=self.renewal_rate[:, key].T.copy(),
            fit=np.zeros(n, dtype=np.int64),
            row=np.zeros(n, dtype=np.int64),
            tail=tail,
            restored_share=np.full(n, self.restored_share),
            pattern=None if self.pattern is None else self.pattern.of(key),
        )


_held: WeakKeyDictionary[RiskTable, dict[tuple[LifeKey, ...], JointLives]] = WeakKeyDictionary()
_MOST_HELD = 500  # of one table


def joint_lives(table: RiskTable, keys: Sequence[LifeKey]) -> JointLives:
    """Joint draws of lives of one component; kept with the table, as fleets of one shop ask for the same again.

    Raises
    ------
    UnknownComponent
        There is no fit for the component.
    """
    held = _held.setdefault(table, {})
    wanted = tuple(keys)
    found = held.get(wanted)
    if found is None:
        if len(held) >= _MOST_HELD:
            held.clear()
        found = held[wanted] = _joint_lives(table, wanted)
    return found


def _joint_lives(table: RiskTable, keys: tuple[LifeKey, ...]) -> JointLives:
    component = keys[0].component
    fit = table.fits[table.fit_of(component)]
    log_theta, shape, renewal_rate = np.empty((3, JOINT, len(keys)))
    draws, pattern = None, PatternDraws.none(len(keys), JOINT)
    for k, key in enumerate(keys):
        draws = table.draw([_new_part(key)], key.cell, own_clock=False)
        at = _joint_order(draws, fit)
        log_theta[:, k] = _matched(draws.log_theta[0, at], draws.log_theta[0], draws.weight[0])
        shape[:, k], renewal_rate[:, k] = draws.shape[0, at], draws.renewal_rate[0, at]
        if draws.pattern is not None:
            pattern.share[k], pattern.shape_ratio[k] = draws.pattern.share[0], draws.pattern.shape_ratio[0]
            pattern.effect[k], pattern.log_u0[k] = draws.pattern.effect[0, at], draws.pattern.log_u0[0, at]
    assert draws is not None
    # the doubt about bins and tail is the component's: one draw of it for all its lives
    common = _FIRST + np.random.default_rng(SLOTS + 1).permutation(np.arange(SLOTS) % PER_SLOT)
    bend, tail = (draws.bent[0] if draws.bent else None), draws.tail
    return JointLives(
        component,
        keys,
        draws.clock_weight[0, _FIRST],
        renewal_rate,
        log_theta,
        shape,
        replace(bend, gain=bend.gain[:, common], at_edge=bend.at_edge[:, common]) if isinstance(bend, Bend) else None,
        None if tail is None else (float(tail.edge[0]), float(tail.sd[0]), tail.normal[common]),
        0.0 if draws.restored_share is None else float(draws.restored_share[0]),
        pattern if pattern.share.any() else None,
    )


def _new_part(key: LifeKey) -> PartState:
    told = {name: getattr(key, name) for name in ("position", "stratum", "quality", "issues")}
    return PartState(key.component, 0.0, 0.0, 0.0, 0.0, **told)


def _joint_order(draws: LifeDraws, fit: ComponentFit) -> Ints:
    """Index of the draw to keep for each slot, so that draws of one slot have one clock in all lives.

    Of the draws on one clock as many are kept as slots are on it, evenly by weight from low to high hazard. Rows take
    them in that order where they move together, and in an order of their own in the share that is theirs alone.
    """
    row, weight, clock = int(draws.row[0]), draws.weight[0], draws.clock_weight[0]
    rng = np.random.default_rng([SLOTS, zlib.crc32(repr(fit.row_keys[row]).encode())])
    own = rng.permutation(SLOTS) >= np.round(_share_in_common(fit, row) * SLOTS)
    common = np.random.default_rng(SLOTS)
    out = np.empty(SLOTS, dtype=np.int64)
    for value in np.unique(clock):
        slots = common.permutation(np.flatnonzero(clock[_FIRST] == value))
        mine = np.flatnonzero(clock == value)
        mine = mine[np.argsort(draws.log_theta[0, mine], kind="stable")]
        total = np.cumsum(weight[mine])
        wanted = (np.arange(len(slots)) + 0.5) / len(slots) * total[-1]
        kept = mine[np.minimum(np.searchsorted(total, wanted), len(mine) - 1)]
        alone = np.flatnonzero(own[slots])
        kept[alone] = kept[rng.permutation(alone)]
        out[slots] = kept
    return out


def _matched(kept: Floats, drawn: Floats, weight: Floats) -> Floats:
    """The kept draws, moved to the weighted mean and spread of all of them."""
    mean = float(weight @ drawn)
    spread = float(np.sqrt(weight @ (drawn - mean) ** 2))
    return mean + (kept - kept.mean()) * (spread / max(float(kept.std()), 1e-12))


def _share_in_common(fit: ComponentFit, row: int) -> float:
    """Share of a life's remaining variance that it has in common with others of its component."""
    columns = [j for j, name in enumerate(fit.spread_names) if name not in _SHARED_EFFECTS]
    if not columns:
        return 1.0
    weights = fit.copies / fit.copies.sum()
    squared = (np.exp(2.0 * fit.log_spreads[:, columns].astype(float))).sum(axis=1) * fit.shape**2
    own = squared / (1.0 + fit.rate[row] * squared)
    return float(np.clip(1.0 - (weights @ own) / max(float(weights @ fit.variance[row]), 1e-12), 0.0, 1.0))
