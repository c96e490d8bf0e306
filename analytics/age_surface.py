"""Chances of parts of unknown start at a few lives instead of at every draw.

Given the clock weight, such a chance is a smooth function of log(theta) and shape alone. It is worked on a small
Chebyshev grid over the range of a part's draws, one grid for each clock weight among them, and read off in between
on the scale log(-log(1 - P)), where it is nearly straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analytics.life_draws import LifeDraws, PartDraws, kept_lives
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pattern_mix import PatternDraws
from analytics.segments import in_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Singles = NDArray[np.float32]
Real = TypeVar("Real", Floats, Singles)

_ACROSS_THETA, _ACROSS_SHAPE = 6, 3
_ACROSS_PATTERN = 2  # where the part may be pattern-made: its effect is a third axis
_LEAST_RANGE = 1e-3
_LARGEST = 5.0  # log hazard past which all fail


@dataclass(frozen=True)
class PartGrid:
    """The grid points of one part, one row a clock weight among its draws, and how its draws lie between them.

    Bases are kept in single precision, and apart: there are many parts, and what is read off is rough to 1e-6 anyway.
    """

    clock: Ints  # (pairs,) index of the clock weight
    log_theta: Floats  # (pairs, points), as is shape
    shape: Floats
    renewal_rate: Floats  # (pairs,)
    pair: Ints  # (draws,)
    bases: tuple[Singles, Singles]  # (points of an axis, draws): log theta, and the others
    effect: Floats | None  # (pairs, points) of pattern parts, where the part may be one
    log_u0: Floats | None  # (pairs,)


@dataclass(frozen=True)
class Surface:
    """`lives` are the grid points, (pairs of part and clock weight, points); `pair`, `basis` lead back to the draws."""

    lives: LifeDraws
    part: Ints  # (pairs,) index into the parts passed
    pair: Ints  # (parts, draws)
    basis: Singles  # (pairs, points, draws): interpolation basis of the pair's part

    @classmethod
    def over(cls, draws: LifeDraws, at: Ints) -> Surface:
        """Grids over the draws of the parts `at`."""
        if draws.kept:
            return _of_kept(tuple(draws.kept[i] for i in at.tolist()))
        return cls.side_by_side(_grids(draws, at), draws, at)

    @classmethod
    def side_by_side(cls, grids: Sequence[PartGrid], draws: LifeDraws, at: Ints) -> Surface:
        """The grids of the parts `at` as one surface."""
        count = np.array([len(g.clock) for g in grids])
        part = np.repeat(np.arange(len(grids)), count)
        log_theta, shape = (np.concatenate([getattr(g, name) for g in grids]) for name in ("log_theta", "shape"))
        clock, rate = (np.concatenate([getattr(g, name) for g in grids])[:, None] for name in ("clock", "renewal_rate"))
        pattern = None
        effect, log_u0 = [g.effect for g in grids if g.effect is not None], [g.log_u0 for g in grids]
        if effect and draws.pattern is not None:
            of_draws, of_grid = draws.pattern.of(at), np.concatenate(effect)
            held = np.concatenate([v for v in log_u0 if v is not None])[:, None]
            pattern = PatternDraws(
                of_draws.share[part], of_grid, of_draws.shape_ratio[part], np.broadcast_to(held, of_grid.shape)
            )
        lives = replace(
            draws,
            log_theta=log_theta,
            shape=shape,
            clock_weight=np.broadcast_to(CLOCK_WEIGHTS[clock], shape.shape),
            renewal_rate=np.broadcast_to(rate, shape.shape),
            pattern=pattern,
        )
        pair = np.stack([g.pair for g in grids]) + (np.cumsum(count) - count)[:, None]
        first, second = (np.stack([g.bases[k] for g in grids]) for k in (0, 1))
        basis = (first[:, :, None] * second[:, None]).reshape(len(grids), -1, pair.shape[1])
        return cls(lives, part, pair, basis[part])

    def read(self, chances: Floats) -> Singles:
        """Cumulative hazards of the draws, (windows, parts, draws), from chances at the grid points.

        `chances` are (windows, pairs, points).
        """
        held = np.clip(chances, 1e-300, 1.0 - 1e-12)
        found = self._between(np.log(-np.log1p(-held)).astype(np.float32))
        return np.exp(np.minimum(found, np.float32(_LARGEST)))

    def read_plain(self, values: Floats) -> Singles:
        """Values of the draws, (parts, draws), on their own scale; kept within those of the grid, (pairs, points)."""
        near = values.astype(np.float32)
        low, high = (end(near, axis=1).take(self.pair) for end in (np.min, np.max))
        return np.clip(self._between(near[None])[0], low, high)

    def _between(self, values: Singles) -> Singles:
        """Interpolate (windows, pairs, points) at the draws: each draw by every pair of its part, then its own pick.

        A window at a time, so that it gives the same to the last bit whatever else is asked.
        """
        draws = self.pair.shape[1]
        own = self.pair * draws + np.arange(draws)
        return np.stack([(of_window[:, None] @ self.basis).ravel().take(own) for of_window in values])


@lru_cache(maxsize=8)  # some MB each: the parts of machines of a few models that are asked about in turn
def _of_kept(parts: tuple[PartDraws, ...]) -> Surface:
    """The surface over parts whose draws are kept; their grids are kept with them."""
    draws, everyone = kept_lives(parts), np.arange(len(parts))
    new = [i for i, part in enumerate(parts) if part.grid is None]
    for i, grid in zip(new, _grids(draws, everyone[new]) if new else (), strict=True):
        parts[i].grid = grid
    return Surface.side_by_side([part.grid for part in parts if part.grid is not None], draws, everyone)


def _grids(draws: LifeDraws, at: Ints) -> list[PartGrid]:
    """The grids of some parts; either all of them may be pattern-made or none."""
    log_theta, log_shape, w = draws.log_theta[at], np.log(draws.shape[at]), draws.clock_weight[at]
    clock = np.searchsorted(CLOCK_WEIGHTS, w - 1e-9)
    code = np.arange(len(at))[:, None] * len(CLOCK_WEIGHTS) + clock
    present = np.zeros(len(at) * len(CLOCK_WEIGHTS), dtype=bool)
    present[code] = True
    pairs, pair = np.flatnonzero(present), (np.cumsum(present) - 1)[code]
    part, own_clock = np.divmod(pairs, len(CLOCK_WEIGHTS))
    runs = _Runs.of(pair)
    nodes, theta_basis = _axis(log_theta, pair, runs, _ACROSS_THETA)
    shape_nodes, second_basis = _axis(log_shape, pair, runs, _ACROSS_SHAPE)
    effect, log_u0, second = None, None, _ACROSS_SHAPE
    shape_nodes = np.tile(shape_nodes, (1, _ACROSS_THETA))
    if draws.pattern is not None and draws.pattern.share[at].any():
        own = draws.pattern.of(at)
        nodes_of_effect, effect_basis = _axis(own.effect, pair, runs, _ACROSS_PATTERN)
        second_basis = _outer(second_basis, effect_basis)
        second = _ACROSS_SHAPE * _ACROSS_PATTERN
        shape_nodes = np.repeat(shape_nodes, _ACROSS_PATTERN, axis=1)
        effect = np.tile(nodes_of_effect, (1, _ACROSS_THETA * _ACROSS_SHAPE))
        log_u0 = _of_pairs(own.log_u0, pair, len(pairs))
    log_theta, shape = np.repeat(nodes, second, axis=1), np.exp(shape_nodes)
    rate = _of_pairs(draws.renewal_rate[at], pair, len(pairs))
    bases = theta_basis.astype(np.float32), second_basis.astype(np.float32)
    ends = np.searchsorted(part, np.arange(len(at) + 1))
    return [
        PartGrid(
            own_clock[a:b],
            log_theta[a:b],
            shape[a:b],
            rate[a:b],
            pair[i] - a,
            (bases[0][:, i].copy(), bases[1][:, i].copy()),
            None if effect is None else effect[a:b],
            None if log_u0 is None else log_u0[a:b],
        )
        for i, (a, b) in enumerate(zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True))
    ]


@dataclass(frozen=True)
class _Runs:
    """Draws sorted by their pair: the order, and where each pair begins."""

    order: Ints
    first: Ints

    @classmethod
    def of(cls, pair: Ints) -> _Runs:
        flat = pair.ravel()
        count = np.bincount(flat)
        return cls(in_order(flat), np.cumsum(count) - count)

    def ends(self, values: Floats) -> tuple[Floats, Floats]:
        """Least and largest value of each pair."""
        ordered = values.ravel()[self.order]
        return np.minimum.reduceat(ordered, self.first), np.maximum.reduceat(ordered, self.first)


def _outer(one: Real, other: Real) -> Real:
    """Basis over both axes, the first outermost."""
    return (one[:, None] * other[None]).reshape(-1, *one.shape[1:])


def _of_pairs(values: Floats, pair: Ints, pairs: int) -> Floats:
    """What all draws of a pair have in common, (pairs,), from the draws."""
    out = np.zeros(pairs)
    out[pair.ravel()] = values.ravel()
    return out


def _axis(values: Floats, pair: Ints, runs: _Runs, count: int) -> tuple[Floats, Floats]:
    """Chebyshev points over the range of each pair's values, and the interpolation basis at the values."""
    low, high = runs.ends(values)
    middle, half = 0.5 * (low + high), np.maximum(0.5 * (high - low), _LEAST_RANGE)
    unit = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    x = np.clip((values - middle[pair]) / half[pair], -1.0, 1.0)
    powers = [np.ones_like(x), x]  # Chebyshev polynomials, by their recursion
    while len(powers) < count:
        powers.append(2.0 * x * powers[-1] - powers[-2])
    at_nodes = np.cos(np.arange(count) * np.arccos(unit)[:, None])  # (node, degree)
    to_basis = (2.0 / count) * at_nodes
    to_basis[:, 0] *= 0.5
    basis = (to_basis @ np.stack(powers).reshape(count, -1)).reshape(count, *x.shape)
    return middle[:, None] + half[:, None] * unit, basis
