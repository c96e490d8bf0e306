"""What goes into a backtest and what comes out."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from analytics.errors import InvalidObservations
from analytics.spells import Bools, Floats, Ints


@dataclass(frozen=True)
class Forecasts:
    """Chances one model gave, (n,) each: for the whole horizon, and over the time each part was really watched."""

    horizon: Floats
    watched: Floats


@dataclass(frozen=True)
class Judged:
    """Predictions beside what followed; every array has shape (n,), one row an ending (`analytics.followed`).

    Attributes
    ----------
    part, machine, shop, component : int
        What the row is about; rows of one part share its index. `component` indexes `components`.
    weight : float
        Share of a part the row stands for.
    failed, complete : bool
        Failed in the window; state known at the horizon's end.
    followed : float
        How far the part was followed, as a share of the horizon, at most 1.
    late : bool
        True where the machine came under observation after the day of the question.
    model, pooled, prior : Forecasts
        Of the life model, of one pooled curve for all models of the component, of the catalogue prior.
    """

    part: Ints
    machine: Ints
    shop: Ints
    component: Ints
    weight: Floats
    failed: Bools
    complete: Bools
    followed: Floats
    late: Bools
    model: Forecasts
    pooled: Forecasts
    prior: Forecasts
    components: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.part)

    def check(self) -> None:
        """Raise `InvalidObservations` if rows contradict the conventions above."""
        columns = {f.name: getattr(self, f.name) for f in fields(self)}
        for name in ("model", "pooled", "prior"):
            forecasts = columns.pop(name)
            for clock in ("horizon", "watched"):
                values = columns[f"{name}.{clock}"] = getattr(forecasts, clock)
                if not ((values >= 0) & (values <= 1)).all():
                    raise InvalidObservations(f"{name}.{clock}: a chance must lie between 0 and 1")
        columns.pop("components")
        if len({len(values) for values in columns.values()}) > 1:
            raise InvalidObservations("every column must have one entry a row")
        if not ((self.weight > 0) & (self.weight <= 1)).all():
            raise InvalidObservations("weight: must lie in (0, 1]")
        if not (np.isfinite(self.followed) & (self.followed >= 0) & (self.followed <= 1)).all():
            raise InvalidObservations("followed: must be a share of the horizon, 0 to 1")
        if (self.failed & ~self.complete).any():
            raise InvalidObservations("complete: the state of a part that failed is known")


@dataclass(frozen=True)
class Estimated:
    """A figure with its interval; nan where the data do not say."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class CalibrationGroup:
    """Parts that were given chances of one size.

    from_chance, to_chance : the chances given, for the whole horizon; mean_chance their mean.
    parts : how many; failures : how many failed while watched.
    observed, expected : share that failed while watched, and the share the model said for that same time.
    at_horizon : share failed at the horizon's end, by inverse-probability-of-censoring weights.
    """

    from_chance: float
    to_chance: float
    mean_chance: float
    parts: float
    failures: float
    observed: Estimated
    expected: float
    at_horizon: Estimated


@dataclass(frozen=True)
class Scores:
    """One score of the model and of both baselines, and how much better the model is (above 0: better)."""

    model: float
    pooled: float
    prior: float
    gain_over_pooled: Estimated
    gain_over_prior: Estimated


@dataclass(frozen=True)
class TopFew:
    """Failures among the first few parts of each machine's list.

    found, by_pooled, by_prior : by the lists of the model and of the baselines; by_chance : expected of a list in
    random order; hindsight : of a list made by who knew; gain : (found - by_chance) / (hindsight - by_chance).
    """

    size: int
    machines: int
    found: float
    by_pooled: float
    by_prior: float
    by_chance: float
    hindsight: float
    gain: float


@dataclass(frozen=True)
class ComponentTally:
    """Failures of one component against expectation over the time watched; the interval is of their ratio."""

    component: str
    parts: float
    observed: float
    expected: float
    ratio: Estimated


@dataclass(frozen=True)
class Backtest:
    """How right the predictions were.

    resampled : "shop" or "machine", what the bootstrap draws; level of all intervals.
    slope : calibration slope; below 1 the chances are too spread, above 1 too flat.
    at_horizon : observed / expected at the horizon's end by censoring weights.
    brier_at_horizon : (model, pooled, prior) by censoring weights.
    worst : rows of the largest log loss, worst first.
    """

    level: float
    resampled: str
    clusters: int
    parts: float
    machines: int
    shops: int
    failures: float
    late_parts: float
    watched_share: float
    tenths: tuple[CalibrationGroup, ...]
    bands: tuple[CalibrationGroup, ...]
    observed_expected: Estimated
    at_horizon: Estimated
    slope: Estimated
    log_score: Scores
    brier: Scores
    brier_at_horizon: tuple[float, float, float]
    top: TopFew
    components: tuple[ComponentTally, ...]
    worst: tuple[int, ...]
