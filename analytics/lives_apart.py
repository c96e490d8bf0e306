"""How far two lives of a component are apart: the log ratio of their cumulative hazards, and the doubt about it.

Two models' lives are wrong together in what they have in common, the component's level and the effects of a make and a
family they share, and apart in the rest: in what tells their families, models, strata and places from each other, in
each one's own clock and shape, and in what no record tells (`risk_pieces.FLOOR_SD`). Only the second is doubt about
their ratio. At each hyperparameter node the effects of the pooling tree are normal: with prior covariance K and the
failures expected of each leaf as precision (`pooling_tree`), their posterior covariance is K - K (K + 1 / rate)^-1 K.

Against a class, the mean hazard of several lives, the ratio's log is linear around the mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from analytics.baseline import Bend
from analytics.component_fit import ComponentFit, RowKey, clock_index
from analytics.operational_time import CLOCK_WEIGHTS, operational_units
from analytics.risk_draws import SUPERSEDED_FLOOR_SD, RiskTable
from analytics.spells import Floats, Ints
from analytics.spread_prior import CROSSED_POSITION_SD

_LEAST_RATE = 1e-6
_LARGEST_BEND = 0.7  # of a log shape, as in `risk_draws`


@dataclass(frozen=True, eq=False)
class LivesApart:
    """Some rows of one fit; arrays are (nodes,), (nodes, rows) or (nodes, clocks, rows).

    log_theta : mean of log theta on the node's clock, with each row's own shape in it; covariance (nodes, rows, rows).
    own_shape, shape_variance : a row's own shape, and the doubt about its logarithm; `per_shape` is what a change of
        that logarithm adds to log theta.
    odds, shift : of each row's own clock (`own_clock`).
    floor : (rows,), the doubt each row has for itself.
    """

    weight: Floats
    clock: Ints
    log_theta: Floats
    covariance: Floats
    own_shape: Floats
    shape_variance: Floats
    per_shape: Floats
    odds: Floats
    shift: Floats
    floor: Floats
    bend: Bend | None

    @classmethod
    def of(cls, table: RiskTable, component: str, rows: Sequence[int]) -> LivesApart:
        """Leaf rows of a component's fit; kept with the table."""
        number = table.fit_of(component)
        held = _held.setdefault(table, {})
        key = number, tuple(rows)
        if key not in held:
            held[key] = cls._made(table, number, np.array(rows, dtype=np.int64))
        return held[key]

    @classmethod
    def _made(cls, table: RiskTable, number: int, rows: Ints) -> LivesApart:
        fit = table.fits[number]
        clock, shape = clock_index(fit.clock_weight), fit.shape.astype(float)[:, None]
        mean, rate = fit.mean[rows].astype(float).T, fit.rate[rows].astype(float).T
        covariance = _covariance(fit, [fit.row_keys[r] for r in rows.tolist()], rate)
        held = np.clip(rate * np.einsum("nii->ni", covariance), 0.0, 1.0)  # how far its own records hold its scale
        score, curvature, slope = (a[:, rows].astype(float)[clock] for a in (fit.score, fit.curvature, fit.slope))
        variance = 1.0 / (1.0 / fit.tau_squared[rows].astype(float) + curvature)
        away = np.log(shape) - fit.centre.astype(float)[clock][:, None]
        own = np.clip(variance * (score - curvature * away), -_LARGEST_BEND, _LARGEST_BEND)
        per_shape = mean - held * (mean + slope)
        odds, shift = _own_clocks(fit, clock, rows)
        superseded = table.superseded[table.row_of_all[number] + rows]
        floor = float(table.floor[number])
        return cls(
            weight=fit.copies / fit.copies.sum(),
            clock=clock,
            log_theta=mean + own * per_shape,
            covariance=covariance,
            own_shape=shape * np.exp(own),
            shape_variance=variance,
            per_shape=per_shape,
            odds=odds,
            shift=held[:, None] * shift,
            floor=np.where(superseded, max(floor, SUPERSEDED_FLOOR_SD), floor),
            bend=table.bent[number],
        )

    def log_ratio(
        self, one: int, others: Sequence[int], shares: Floats, *, km: float, days: float
    ) -> tuple[float, float]:
        """Mean and standard deviation of the log ratio of cumulative hazards up to an age.

        Parameters
        ----------
        one : int
        others : sequence of int
            The class it is held against; places among the rows, as is `one`.
        shares : (others,)
            Weights of their hazards, that add up to 1.
        km, days : float
            The age on both clocks.
        """
        these = np.array(others, dtype=np.int64)
        log_u = np.log(operational_units(np.asarray(km), np.asarray(days), CLOCK_WEIGHTS.astype(float)))
        by_clock = self.log_theta[:, None] + self.shift + self.own_shape[:, None] * log_u[:, None]
        log_h = (self.odds * by_clock).sum(axis=1)
        of_clock = (self.odds * by_clock**2).sum(axis=1) - log_h**2
        against = np.exp(log_h[:, these]) * shares
        ratio = log_h[:, one] - np.log(against.sum(axis=1))
        apart = np.zeros_like(log_h)
        apart[:, one] = 1.0
        np.subtract.at(apart.T, these, (against / against.sum(axis=1, keepdims=True)).T)
        of_shape = self.shape_variance * (self.per_shape + self.own_shape * log_u[self.clock][:, None]) ** 2
        variance = ((apart[:, None] @ self.covariance)[:, 0] * apart).sum(axis=1)
        variance = variance + (apart**2 * (np.maximum(of_clock, 0.0) + of_shape + self.floor**2)).sum(axis=1)
        mean = float(self.weight @ ratio)
        spread = float(self.weight @ (variance + (ratio - mean) ** 2))
        return mean + self._bent(self.weight @ log_h, one, these, shares), float(np.sqrt(spread))

    def _bent(self, log_h: Floats, one: int, others: Ints, shares: Floats) -> float:
        """What a life that is not Weibull adds to the log ratio."""
        if self.bend is None:
            return 0.0
        gain = np.log(np.maximum(self.bend.mean(np.exp(log_h)), 1e-300)) - log_h
        against = np.exp(log_h[others]) * shares
        return float(gain[one] - np.log(against @ np.exp(gain[others]) / against.sum()))


_held: WeakKeyDictionary[RiskTable, dict[tuple[int, tuple[int, ...]], LivesApart]] = WeakKeyDictionary()


def _covariance(fit: ComponentFit, keys: Sequence[RowKey], rate: Floats) -> Floats:
    """Posterior covariance of log theta of leaf rows, (nodes, rows, rows)."""
    shape = fit.shape.astype(float)
    common = np.log(fit.prior.scale_factor)  # the component's level; it drops out of every ratio
    prior = np.broadcast_to((shape * common)[:, None, None] ** 2, (len(shape), len(keys), len(keys))).copy()
    for level, log_spread in zip(fit.spread_names, fit.log_spreads.T.astype(float), strict=True):
        prior += (shape * np.exp(log_spread))[:, None, None] ** 2 * _same(keys, level)
    if fit.position_names:
        prior += (shape * CROSSED_POSITION_SD)[:, None, None] ** 2 * _same(keys, "place")
    noise = np.eye(len(keys)) / np.maximum(rate, _LEAST_RATE)[:, None]
    return np.asarray(prior - prior @ np.linalg.solve(prior + noise, prior))


def _same(keys: Sequence[RowKey], level: str) -> Floats:
    """1 where two rows share the effect of a level, (rows, rows). A row without stratum or place has no such effect."""
    names = [_name_at(key, level) for key in keys]
    return np.array([[float(bool(one) and one == two) for two in names] for one in names])


def _name_at(key: RowKey, level: str) -> tuple[object, ...]:
    make, family, model, stratum, position = key
    if (level == "stratum" and stratum < 0) or (level in ("position", "place") and not position):
        return ()
    return {
        "make": (make,),
        "family": (make, family, "" if family else model),
        "model": (make, family, model),
        "stratum": (make, family, model, stratum),
        "position": key,
        "place": (position,),
    }[level]


def _own_clocks(fit: ComponentFit, clock: Ints, rows: Ints) -> tuple[Floats, Floats]:
    if fit.clock_odds.size:
        return fit.clock_odds[clock][:, :, rows].astype(float), fit.clock_shift[clock][:, :, rows].astype(float)
    odds = np.repeat(np.eye(len(CLOCK_WEIGHTS))[clock][:, :, None], len(rows), axis=2)
    return odds, np.zeros_like(odds)
