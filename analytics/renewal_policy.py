"""When to renew a part on purpose, with what the records leave in doubt carried through.

Question answered: at which age is renewing cheapest, how wide is the range that costs nearly as little, what does
being late cost, and is there any age at which renewing pays?
Cost of renewing at age T, failures before T renewed at once: (planned R(T) + failure F(T)) / integral of R to T. The
interval is the one with the least posterior mean of that rate: what a fleet pays on average over what is not known.
Assumptions: steady use, renewals as good as new, costs all-in and the same at any age.

Sources: Barlow & Proschan 1965, 4.2 (age replacement); the rest is expected cost over a posterior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from analytics.errors import InvalidObservations
from analytics.life_model_types import Evidence, Probability
from analytics.new_life import ENOUGH, NewLife, Watched
from analytics.risk_draws import quantiles
from analytics.rough import rough, span_of
from analytics.spells import Floats

POINTS = 1200
LEAST_SAVING = 0.02  # own choice: a policy that saves less than this against running to failure is not worth a rule
LEAST_SURE = 0.8  # own choice: how sure the posterior must be that it saves at all
FLAT = 0.02  # "within 2 % of the best"


@dataclass(frozen=True)
class RenewalCosts:
    """What a renewal costs on purpose and after a failure, time off the road included.

    Attributes
    ----------
    planned, failure : float
        Parts, labour, recovery, in one currency.
    planned_downtime_days, failure_downtime_days : float
    downtime_per_day : float
        What a day off the road costs.
    """

    planned: float
    failure: float
    planned_downtime_days: float = 0.0
    failure_downtime_days: float = 0.0
    downtime_per_day: float = 0.0

    def __post_init__(self) -> None:
        for name in ("planned", "failure", "planned_downtime_days", "failure_downtime_days", "downtime_per_day"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise InvalidObservations(f"{name}: must be a number of at least 0, not {value!r}")
        if self.planned <= 0 or self.failure <= 0:
            raise InvalidObservations("planned and failure: must cost something")

    @property
    def all_planned(self) -> float:
        return self.planned + self.planned_downtime_days * self.downtime_per_day

    @property
    def all_failure(self) -> float:
        return self.failure + self.failure_downtime_days * self.downtime_per_day


@dataclass(frozen=True)
class Alternative:
    """Cost of one interval against the best; `excess` is a share (0.02 is 2 % dearer), None is running to failure."""

    interval: float | None
    cost_rate: Probability
    excess: float
    failures_per_renewal: float


@dataclass(frozen=True)
class RenewalPolicy:
    """The cheapest interval, or why there is none; ages and rates are in the unit of `clock`.

    `optimum` is the interval of each draw's own best age, which shows how well the records place it; its high end is
    None where some draws would rather run to failure. `flat` bounds the ages within `FLAT` of the least cost.
    """

    clock: str
    interval: float | None
    reason: str
    optimum: tuple[float, float | None] | None
    flat: tuple[float, float | None] | None
    cost_rate: Probability
    run_to_failure: Probability
    saving: float
    chance_it_saves: float
    chance_of_ageing: float
    alternatives: tuple[Alternative, ...]
    warnings: tuple[str, ...]
    evidence: Evidence | None


@dataclass(frozen=True)
class CostCurve:
    """Per draw and age: chance of having failed, mean age at renewal, cost rate; (draws, ages)."""

    age: Floats
    failed: Floats
    mean_age: Floats
    rate: Floats

    def at(self, age: float, what: Floats) -> Floats:
        """Values of one of the arrays at any age, (draws,)."""
        return np.asarray(CubicSpline(np.log(self.age), what, axis=-1)(np.log(age)))


def cost_curve(life: NewLife, costs: RenewalCosts) -> CostCurve:
    """Cost rates over all ages from the very young to where hardly any part is left."""
    low = 1e-3 * float(life.scale.min())
    high = float((life.scale * 60.0 ** (1.0 / life.shape)).max())
    age = np.geomspace(low, max(high, 10.0 * low), POINTS)
    edges = np.concatenate([[0.0], age])
    middle = 0.5 * (edges[1:] + edges[:-1])
    alive, between = np.exp(-life.hazard(age)), np.exp(-life.hazard(middle))
    before = np.concatenate([np.ones((len(alive), 1)), alive[:, :-1]], axis=1)
    mean_age = np.cumsum((before + 4.0 * between + alive) * np.diff(edges) / 6.0, axis=1)
    failed = 1.0 - alive
    rate = (costs.all_planned * alive + costs.all_failure * failed) / mean_age
    return CostCurve(age, failed, mean_age, rate)


def renewal_policy(
    life: NewLife,
    costs: RenewalCosts,
    *,
    alternatives: Sequence[float] = (),
    level: float = 0.9,
    seen: Watched | None = None,
) -> RenewalPolicy:
    """The age at which renewing on purpose is cheapest.

    Parameters
    ----------
    life : NewLife
        Sets the clock and the machine's use.
    costs : RenewalCosts
    alternatives : sequence of float
        Other ages to price.
    level : float
        Of the credible intervals.
    seen : Watched or None
        How old parts grew under watch (`new_life.watched`); what rests on no part seen that old is warned about.

    Raises
    ------
    InvalidObservations
        An alternative that is not above 0, or a level outside (0, 1).
    """
    if not 0 < level < 1:
        raise InvalidObservations(f"level must lie between 0 and 1, not {level!r}")
    if any(not 0 < a < np.inf for a in alternatives):
        raise InvalidObservations("alternatives: every age must be a number above 0")
    curve = cost_curve(life, costs)
    mean = life.mean(curve.rate)
    best = _least(curve.age, mean)
    never = curve.rate[:, -1]
    at_best = never if best is None else curve.at(best, curve.rate)
    saving = 1.0 - float(life.mean(at_best) / life.mean(never))
    sure = float(life.weight @ (at_best < never * (1 - 1e-9)))
    reason = _why_none(life, costs, best, saving, sure)
    kept = best if not reason else None
    chosen = never if kept is None else at_best
    floor = float(life.mean(chosen))
    flat = None if kept is None else _flat(curve.age, mean, floor)
    return RenewalPolicy(
        clock=life.clock,
        interval=kept,
        reason=reason,
        optimum=None if kept is None else _optimum(life, curve, level),
        flat=flat,
        cost_rate=life.probability(chosen, level),
        run_to_failure=life.probability(never, level),
        saving=0.0 if kept is None else saving,
        chance_it_saves=sure,
        chance_of_ageing=life.chance_of_ageing,
        alternatives=tuple(_alternative(life, curve, a, floor, level) for a in (*alternatives, None)),
        warnings=_warnings(life, kept, flat, seen),
        evidence=life.evidence,
    )


def _least(age: Floats, mean: Floats) -> float | None:
    """Age of the least mean cost, between the grid points; None where the cost falls to the end."""
    at = int(np.argmin(mean))
    if at >= len(age) - 2 or mean[at] >= mean[-1] * (1 - 1e-6):
        return None
    near = slice(max(at - 4, 0), at + 5)
    spline = CubicSpline(age[near], mean[near])
    turns = spline.derivative().roots(extrapolate=False)
    return float(turns[np.argmin(spline(turns))]) if len(turns) else float(age[at])


def _why_none(life: NewLife, costs: RenewalCosts, best: float | None, saving: float, sure: float) -> str:
    if costs.all_failure <= costs.all_planned:
        return "a failure costs no more than a planned renewal, so waiting is never dearer"
    if best is not None and saving >= LEAST_SAVING and sure >= LEAST_SURE:
        return ""
    if life.chance_of_ageing < LEAST_SURE:
        return "no interval: failures do not age, as far as is known, so a new part is no safer than the old one"
    if best is None or saving < LEAST_SAVING:
        least = f"{100 * LEAST_SAVING:.0f} %"
        return f"no interval: renewing on purpose would save less than {least} against running to failure"
    return f"no interval: the chance that renewing on purpose saves anything is only {100 * sure:.0f} %"


def _optimum(life: NewLife, curve: CostCurve, level: float) -> tuple[float, float | None]:
    log_age = np.log(curve.age[np.argmin(curve.rate, axis=1)])
    low, high = quantiles(log_age[None], life.weight[None], (0.5 - level / 2, 0.5 + level / 2))
    gone = float(np.interp(0.995, life.mean(curve.failed), curve.age))
    top = float(np.exp(high[0]))
    return float(np.exp(low[0])), top if top < gone else None


def _flat(age: Floats, mean: Floats, floor: float) -> tuple[float, float | None]:
    """Ages around the best whose cost stays within `FLAT`, read between the grid points."""
    limit = (1 + FLAT) * floor
    at = int(np.argmin(mean))
    left = np.flatnonzero(mean[:at] > limit)
    right = np.flatnonzero(mean[at:] > limit)
    low = float(age[0])
    if len(left):
        k = int(left[-1])
        low = float(np.interp(-limit, [-mean[k], -mean[k + 1]], [age[k], age[k + 1]]))
    if not len(right):
        return low, None
    k = at + int(right[0])
    return low, float(np.interp(limit, [mean[k - 1], mean[k]], [age[k - 1], age[k]]))


def _alternative(life: NewLife, curve: CostCurve, age: float | None, floor: float, level: float) -> Alternative:
    if age is None:
        rate, failed = curve.rate[:, -1], np.ones(len(life.weight))
    else:
        within = float(np.clip(age, curve.age[0], curve.age[-1]))
        rate, failed = curve.at(within, curve.rate), curve.at(within, curve.failed)
    known = life.probability(rate, level)
    return Alternative(age, known, known.value / floor - 1.0, float(life.weight @ failed))


def _few(failures: int) -> str:
    if failures > 1:
        return f"Only {failures} failures stand"
    return "Only 1 failure stands" if failures else "No failure stands"


def _warnings(
    life: NewLife, interval: float | None, flat: tuple[float, float | None] | None, seen: Watched | None
) -> tuple[str, ...]:
    out = []
    about = f"{rough(interval, span_of(interval, flat)):,.0f}" if interval is not None and flat is not None else ""
    evidence = life.evidence
    watched_to = None if seen is None else seen.to()
    if interval is not None and watched_to is not None and interval > watched_to:
        out.append(
            f"No record watches enough parts beyond {rough(watched_to):,.0f} {life.clock}: at {about} the model speaks"
            " from the prior and the shape of the curve, not from failures seen."
        )
    if evidence is not None and evidence.failures < ENOUGH:
        out.append(
            f"{_few(round(evidence.failures))} behind this: most parts came out, or still run, before they failed, so"
            " the far end of the curve is prior."
        )
    elif interval is not None and seen is not None and not seen.saw_failures_beyond(interval):
        out.append(
            f"Most parts on record came out, or still run, before they failed; few were seen to fail beyond"
            f" {about} {life.clock}. What running longer costs, and so what renewing saves, is the word of the"
            " prior and of the curve's shape."
        )
    return tuple(out)
