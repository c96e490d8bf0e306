"""Life of a new part on one machine's path of use, draw by draw: what renewal policies and spares are worked from.

At a steady usage rate distance and calendar age are proportional, so the life on both clocks is a life on either.
Every draw carries what `analytics.risk` carries: the cell's scale and shape, the bend of a life that is not Weibull,
and the doubt about ages below the earliest failures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gamma

from analytics.baseline import Bend, doubtful_tail
from analytics.errors import InvalidObservations
from analytics.life_draws import LifeDraws
from analytics.life_model_types import Evidence, PartState, Probability
from analytics.operational_time import unit_rate
from analytics.risk_draws import RiskTable, quantiles
from analytics.spells import DAYS_PER_YEAR, Cell, Floats, Outcome, Spells

CLOCKS = ("km", "days")
ENOUGH = 5  # own choice: fewer parts, or failures, than this are no ground for a figure
FEW_FAILED = 0.1  # own choice: a smaller share of the parts watched tells little of the age at which most fail
_LARGEST = 50.0  # log of a cumulative hazard no part lives to see


@dataclass(frozen=True)
class NewLife:
    """Draws of a new part's life on one clock.

    Attributes
    ----------
    clock : str
        "km" or "days": the unit of every age below.
    km_per_day : float
        Usage that ties the two clocks together.
    log_theta, shape, per_age, weight : (draws,)
        H(u) = theta u**shape with u = per_age * age; weights add up to 1.
    bend, tail : Bend, (edge, sd, normals (draws,)) or None
        As in `analytics.baseline`.
    evidence : Evidence or None
    """

    clock: str
    km_per_day: float
    log_theta: Floats
    shape: Floats
    per_age: Floats
    weight: Floats
    bend: Bend | None = None
    tail: tuple[float, float, Floats] | None = None
    evidence: Evidence | None = None

    def __post_init__(self) -> None:
        if self.clock not in CLOCKS:
            raise InvalidObservations(f"clock: must be km or days, not {self.clock!r}")
        if not (np.isfinite(self.km_per_day) and self.km_per_day >= 0):
            raise InvalidObservations(f"km_per_day: must be a number of at least 0, not {self.km_per_day!r}")
        if self.clock == "km" and self.km_per_day == 0:
            raise InvalidObservations("clock: a machine that is not used has no age in km; ask in days")

    def hazard(self, age: Floats) -> Floats:
        """Cumulative hazard at ages (k,), (draws, k)."""
        u = self.per_age[:, None] * np.maximum(np.asarray(age, dtype=float), 1e-12)
        return bent_hazard(self.log_theta[:, None] + self.shape[:, None] * np.log(u), self.bend, self.tail)

    @property
    def scale(self) -> Floats:
        """Age by which 63.2 % of Weibull lives have ended, (draws,); a bend is not in it."""
        return np.exp(-self.log_theta / self.shape) / self.per_age

    def mean(self, values: Floats) -> Floats:
        """Posterior mean over the first axis."""
        return np.tensordot(self.weight, values, axes=1)

    def probability(self, values: Floats, level: float) -> Probability:
        """Mean and equal-tailed interval of a figure, (draws,)."""
        low, high = quantiles(values[None], self.weight[None], (0.5 - level / 2, 0.5 + level / 2))
        mean = float(self.weight @ values)
        return Probability(mean, min(float(low[0]), mean), max(float(high[0]), mean), level)

    @property
    def chance_of_ageing(self) -> float:
        """Posterior probability that the shape is above 1, that is that failures grow with age."""
        return float(self.weight @ (self.shape > 1.0))


def bent_hazard(log_hazard: Floats, bend: Bend | None, tail: tuple[float, float, Floats] | None) -> Floats:
    """Cumulative hazard from the log of the Weibull's, (draws, ...), as `survival_draws.failure_chance` bends it."""
    hazard = np.exp(np.minimum(log_hazard, _LARGEST))
    if tail is not None:
        edge, sd, normal = tail
        along = normal.reshape(-1, *([1] * (hazard.ndim - 1)))
        hazard = doubtful_tail(hazard, np.asarray(edge), np.asarray(sd), along)
    return hazard if bend is None else bend.drawn(hazard)


def known_life(shape: float, scale: float, clock: str = "km", km_per_day: float = 1.0) -> NewLife:
    """A life that is known: one Weibull without doubt, `scale` in the unit of the clock."""
    for name, value in (("shape", shape), ("scale", scale)):
        if not 0 < value < np.inf:
            raise InvalidObservations(f"{name}: must be a positive number")
    one = np.ones(1)
    return NewLife(clock, km_per_day, np.array([-shape * np.log(scale)]), shape * one, one, one)


def fitted_life(
    table: RiskTable,
    component: str,
    cell: Cell,
    *,
    clock: str,
    km_per_day: float,
    stratum: int = -1,
    position: str | None = None,
    quality: int = 0,
) -> NewLife:
    """Posterior of the life of a new part of a cell.

    Parameters
    ----------
    table : RiskTable
    component : str
        Name the fit was made under.
    cell : Cell
    clock : str
        "km" or "days".
    km_per_day : float
        Usage of the machines in question; above 0 for an answer in km.
    stratum, position, quality
        Of the part in question. A stratum of -1 on a model whose part was superseded: nobody knows which issue it is,
        so its draws are of all issues, as often as parts of each are on record.

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    InvalidObservations
        A clock or usage that cannot be used.
    """
    state = PartState(component, 0.0, 0.0, 0.0, 0.0, position=position, stratum=stratum, quality=quality)
    return life_of_draw(table.draw([state], cell), 0, clock=clock, km_per_day=km_per_day)


def life_of_draw(draws: LifeDraws, i: int, *, clock: str, km_per_day: float) -> NewLife:
    """The life behind the i-th part of a set of draws."""
    per_day = unit_rate(km_per_day, draws.clock_weight[i]) / DAYS_PER_YEAR
    if clock == "km" and km_per_day > 0:
        per_day = per_day / km_per_day
    tail = draws.tail
    return NewLife(
        clock,
        km_per_day,
        draws.log_theta[i],
        draws.shape[i],
        np.maximum(per_day, 1e-12),
        draws.weight[i],
        draws.bent[i] if draws.bent else None,
        None if tail is None else (float(tail.edge[i]), float(tail.sd[i]), tail.normal),
        draws.evidence[i],
    )


def mean_life(life: NewLife) -> Floats:
    """Mean life of each draw's Weibull, (draws,), in the unit of the clock; closed form, a bend is not in it."""
    return life.scale * gamma(1.0 + 1.0 / life.shape)


@dataclass(frozen=True)
class Watched:
    """Ages on one clock, sorted, of parts of known start: when last watched (parts,), and at failure (failures,)."""

    last: Floats
    failed: Floats

    def to(self, least: int = ENOUGH) -> float | None:
        """Age up to which at least `least` parts were under watch; None if never so many.

        What the model says of older parts is the prior's and the shape's word, not that of records.
        """
        return float(self.last[-least]) if len(self.last) >= least else None

    def saw_failures_beyond(self, age: float) -> bool:
        """Whether enough parts were seen to fail at a greater age, and not only a few of many that came out good."""
        failed, last = int((self.failed > age).sum()), int((self.last > age).sum())
        return failed >= max(ENOUGH, FEW_FAILED * last)


def watched(spells: Spells, clock: str, cells: Sequence[int] | None = None) -> Watched:
    """How old parts grew under watch, on one clock (`km` or `days`).

    Raises
    ------
    InvalidObservations
        Another clock.
    """
    if clock not in CLOCKS:
        raise InvalidObservations(f"clock: must be km or days, not {clock!r}")
    mine = spells.known_start & (spells.exit_days > spells.entry_days)
    if cells is not None:
        mine &= np.isin(spells.cell, list(cells))
    seen_failing = np.isin(spells.outcome, (Outcome.FAILED, Outcome.CENSORED, Outcome.RENEWED_REASON_UNKNOWN))
    last = np.where(seen_failing, getattr(spells, f"exit_{clock}"), getattr(spells, f"lower_{clock}"))
    ages = last - getattr(spells, f"start_{clock}")
    failed = mine & np.isin(spells.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN))
    return Watched(np.sort(ages[mine]), np.sort(ages[failed]))
