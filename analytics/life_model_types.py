"""What goes into the life model and the risk of a part, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.errors import InvalidObservations
from analytics.operational_time import CLOCK_WEIGHTS, REFERENCE_KM_PER_YEAR
from analytics.spells import Quality


@dataclass(frozen=True)
class LifePrior:
    """Catalogue prior of one component's life: invented order of magnitude, not data.

    Attributes
    ----------
    shape : float
        Weibull shape.
    scale_km, scale_years : float or None
        Characteristic life (63.2 % gone) on distance and on calendar age. Both: two competing causes.
    scale_factor : float
        One standard deviation of the life, as a factor.
    shape_spread : float
        One standard deviation of the shape, as a share of it.
    """

    shape: float
    scale_km: float | None = None
    scale_years: float | None = None
    scale_factor: float = 1.6
    shape_spread: float = 0.3

    def __post_init__(self) -> None:
        if self.scale_km is None and self.scale_years is None:
            raise InvalidObservations("prior: give scale_km, scale_years or both")
        for name in ("shape", "scale_km", "scale_years", "shape_spread"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InvalidObservations(f"prior: {name} must be a number above 0, not {value!r}")
        if not (np.isfinite(self.scale_factor) and self.scale_factor > 1):
            raise InvalidObservations(f"prior: scale_factor must be above 1, not {self.scale_factor!r}")

    @property
    def life_years(self) -> float:
        """Characteristic life in years of typical use (5,000 km a year).

        With two causes, the age at which their cumulative hazards add up to 1 on the typical path.
        """
        rates = [REFERENCE_KM_PER_YEAR / self.scale_km] if self.scale_km else []
        rates += [1.0 / self.scale_years] if self.scale_years else []
        return float(sum(r**self.shape for r in rates) ** (-1.0 / self.shape))

    @property
    def km_share(self) -> float:
        """Share of the cumulative hazard at the characteristic life that is due to distance."""
        if not self.scale_years:
            return 1.0
        if not self.scale_km:
            return 0.0
        return float((self.life_years * REFERENCE_KM_PER_YEAR / self.scale_km) ** self.shape)

    def clock_probabilities(self) -> np.ndarray:
        """Prior probability of each clock weight of `CLOCK_WEIGHTS`."""
        log_prior = -0.5 * ((CLOCK_WEIGHTS - self.km_share) / 0.4) ** 2
        prior = np.exp(log_prior - log_prior.max()) + 0.02
        return prior / prior.sum()


@dataclass(frozen=True)
class Horizon:
    """How far ahead: whichever of the two comes first; either may be None."""

    km: float | None = None
    days: float | None = None

    def __post_init__(self) -> None:
        if self.km is None and self.days is None:
            raise InvalidObservations("horizon: give km, days or both")
        for name in ("km", "days"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise InvalidObservations(f"horizon: {name} must be a number of at least 0, not {value!r}")

    def on_both_clocks(self, km_per_day: float) -> tuple[float, float]:
        """Distance and days covered when the first of the two is reached at a usage rate."""
        days = np.inf if self.days is None else self.days
        if self.km is not None and km_per_day > 0:
            days = min(days, self.km / km_per_day)
        if not np.isfinite(days):
            raise InvalidObservations("horizon: a distance alone needs a usage rate above 0; give days as well")
        return days * km_per_day, days


@dataclass(frozen=True)
class WarningInterval:
    """P-F interval: how long before it fails a part can be seen to be failing.

    kind is "window" (km, months or both, whichever comes first), "none" (fails without a sign; nothing to find)
    or "hidden" (fails unnoticed; it may have been bad since it was last known good).
    """

    kind: str = "none"
    km: float | None = None
    months: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in ("window", "none", "hidden"):
            raise InvalidObservations(f"warning interval: kind must be window, none or hidden, not {self.kind!r}")
        if self.kind == "window" and self.km is None and self.months is None:
            raise InvalidObservations("warning interval: a window needs km, months or both")
        for name in ("km", "months"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise InvalidObservations(f"warning interval: {name} must be a number of at least 0, not {value!r}")


@dataclass(frozen=True)
class PartState:
    """What is known of one part on one machine, now. Every clock counts from the new machine or the new part.

    Attributes
    ----------
    component : str
        Name the fit was made under.
    machine_km, machine_days : float
        The machine's clocks now.
    part_km, part_days : float or None
        The part's own age; both None where its start is unknown.
    not_original : bool
        Start unknown, but the factory part is known to be off.
    used : bool
        Fitted second-hand: its age when fitted is unknown.
    position : str or None
    stratum : int
        Build stratum of the part now fitted (of the factory part, where the start is unknown); -1 for none, or where
        nobody knows which.
    issues : tuple of float
        Chance of each stratum, oldest first, where `stratum` is -1; empty: as often as parts of each are on record.
    renewal_stratum : int or None
        Stratum of replacement parts where the start is unknown; None means the same as `stratum`.
    quality : int
        A `Quality`.
    watched_km, watched_days : float or None
        Machine clocks since which the part is known not to have been renewed (its latest possible start).
    earliest_km, earliest_days : float or None
        Machine clocks before which it cannot have been fitted.
    repair_km, repair_days : float or None
        Part's own age at its last repair (cleaned, overhauled, not renewed); needs `part_km` and `part_days`.
    last_good_km, last_good_days : float or None
        Machine clocks when it was last known good; read for parts that fail hidden.
    """

    component: str
    machine_km: float
    machine_days: float
    part_km: float | None = None
    part_days: float | None = None
    not_original: bool = False
    used: bool = False
    position: str | None = None
    stratum: int = -1
    issues: tuple[float, ...] = ()
    renewal_stratum: int | None = None
    quality: int = int(Quality.UNKNOWN)
    watched_km: float | None = None
    watched_days: float | None = None
    earliest_km: float | None = None
    earliest_days: float | None = None
    last_good_km: float | None = None
    last_good_days: float | None = None
    repair_km: float | None = None
    repair_days: float | None = None

    def __post_init__(self) -> None:
        for name in ("machine_km", "machine_days"):
            value = getattr(self, name)
            if not (isinstance(value, int | float) and np.isfinite(value) and value >= 0):
                raise InvalidObservations(f"{self.component}: {name} must be a number of at least 0, not {value!r}")
        for stem in ("part", "watched", "earliest", "last_good", "repair"):
            self._check_pair(stem)
        if self.repair_km is not None and (self.part_km is None or self.repair_km > self.part_km + 1e-6):
            raise InvalidObservations(f"{self.component}: repair_km must lie within the part's own age, part_km")

    def _check_pair(self, stem: str) -> None:
        km, days = getattr(self, f"{stem}_km"), getattr(self, f"{stem}_days")
        if (km is None) != (days is None):
            raise InvalidObservations(f"{self.component}: give {stem}_km and {stem}_days together, or neither")
        for name, value, most in ((f"{stem}_km", km, self.machine_km), (f"{stem}_days", days, self.machine_days)):
            if value is not None and not (np.isfinite(value) and 0 <= value <= most + 1e-6):
                raise InvalidObservations(
                    f"{self.component}: {name} must lie between 0 and the machine's own {most:g}, not {value!r}"
                )

    @property
    def known_start(self) -> bool:
        return self.part_km is not None and not self.used


@dataclass(frozen=True)
class Probability:
    """A figure (a chance, a life, a shape) with its equal-tailed credible interval."""

    value: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class Evidence:
    """What stands behind a figure. `prior_weight` is the share of the catalogue prior's uncertainty left in it."""

    failures: float
    parts: float
    machines: int
    shops: int
    exposure_km: float
    exposure_years: float
    prior_weight: float
    clock: str
    known_as: str  # how close the data came: "model", "family", "make", "component"


@dataclass(frozen=True)
class Chance:
    """Risk of one part: chance to fail within the horizon, chance of being detectably bad now."""

    component: str
    position: str | None
    chance_in_horizon: Probability
    chance_bad_now: Probability
    evidence: Evidence


@dataclass(frozen=True)
class LifeSummary:
    """Life of a cell on its dominant clock ("km" or "years" in `unit`), each with an interval."""

    unit: str
    clock: str
    clock_weight: float
    scale: Probability
    shape: Probability
    b10: Probability
    b50: Probability
    evidence: Evidence
