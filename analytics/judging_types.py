"""A reading, a limit, and what the one says by the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analytics.errors import AnalyticsError
from analytics.outcomes import Verdict

SCOPES = ("model", "family", "class default")  # which limit goes before which
BESIDE = ("jurisdiction", "published example")  # judged beside the limit of the machine; never judged
DIRECTIONS = ("higher_is_better", "lower_is_better", "two_sided", "balance", "nominal", "over_range")
BASES = (
    "value",
    "spread",
    "spread_percent",
    "percent_of_model",
    "percent_of_start",
    "outside_model",
    "inside_model_tight_edge",
    "above_model_limit",
    "above_stamped_minimum",
    "above_jurisdiction_limit",
)


class InvalidReading(AnalyticsError):
    """A reading no meter can show, or a limit nothing can be judged by."""


@dataclass(frozen=True)
class Measured:
    """One number off the meter. `over_range`: the display said so, and `value` is the top of the range."""

    value: float
    over_range: bool = False

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise InvalidReading(f"value must be a number, not {self.value}; mark an over-range display as such")


@dataclass(frozen=True)
class Reading:
    """What was read.

    Attributes
    ----------
    values : tuple of Measured
        One, or a set (three phases, all cylinders), which is one test.
    unit : str
    resolution : float
        Smallest step of the meter, same unit; a spread within it is none.
    lead_resistance_ohm : float
        What the probes read shorted; taken off resistances.
    ambient_celsius : float or None
    reference : (low, high) or None
        What the limit's basis compares with, same unit: the model's figure or range, the start pressure, the
        stamped minimum, the limit of the jurisdiction.
    prerequisites_unmet : tuple of str
        In words; any makes the reading inconclusive.
    """

    values: tuple[Measured, ...]
    unit: str
    resolution: float = 0.0
    lead_resistance_ohm: float = 0.0
    ambient_celsius: float | None = None
    reference: tuple[float, float] | None = None
    prerequisites_unmet: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.values:
            raise InvalidReading("values is empty: a missing reading is no reading and never a pass")
        for name in ("resolution", "lead_resistance_ohm"):
            if not (math.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise InvalidReading(f"{name} must be 0 or more, not {getattr(self, name)}")
        if self.ambient_celsius is not None and not -60 <= self.ambient_celsius <= 60:
            raise InvalidReading(f"ambient_celsius must lie between -60 and 60, not {self.ambient_celsius}")
        if self.reference is not None and not self.reference[0] <= self.reference[1]:
            raise InvalidReading(f"reference must run from low to high, not {self.reference}")


@dataclass(frozen=True)
class Limit:
    """What a reading is judged by; fields as in the catalogue's limits.

    A value passes inside pass_low..pass_high, is marginal inside marginal_low..marginal_high, else `beyond`; None:
    no bound on that side; no marginal bounds: no marginal band. A bound belongs to its band unless
    `pass_includes_bounds` or `marginal_includes_bounds` is False. `temperature_points` are (celsius, value of the
    outer limit): all low bounds shift with it from its value at 20 °C.
    """

    id: str
    quantity: str
    unit: str
    scope: str
    direction: str
    basis: str = "value"
    pass_low: float | None = None
    pass_high: float | None = None
    marginal_low: float | None = None
    marginal_high: float | None = None
    pass_includes_bounds: bool = True
    marginal_includes_bounds: bool = True
    beyond: str = "fail"
    condition: str | None = None
    temperature_points: tuple[tuple[float, float], ...] = ()
    region: str | None = None
    as_of: str | None = None
    sources: tuple[str, ...] = ()
    mark: str | None = None

    def __post_init__(self) -> None:
        for name, allowed in (("scope", SCOPES + BESIDE), ("direction", DIRECTIONS), ("basis", BASES)):
            if getattr(self, name) not in allowed:
                raise InvalidReading(f"limit {self.id}: {name} must be one of {', '.join(allowed)}")
        if self.beyond not in ("fail", "marginal"):
            raise InvalidReading(f"limit {self.id}: beyond must be fail or marginal, not '{self.beyond}'")
        for low, high in ((self.pass_low, self.pass_high), (self.marginal_low, self.marginal_high)):
            if low is not None and high is not None and low > high:
                raise InvalidReading(f"limit {self.id}: a band must run from low to high, not {low} to {high}")

    @property
    def bounds(self) -> tuple[float, ...]:
        """Every bound there is."""
        bounds = (self.pass_low, self.pass_high, self.marginal_low, self.marginal_high)
        return tuple(b for b in bounds if b is not None)


@dataclass(frozen=True)
class Judgement:
    """The verdict on a reading by one limit.

    `measure` is what was compared, in the limit's unit (the worst of a set; None where nothing was compared),
    `reason` says it in words, `notes` what has to be shown beside it.
    """

    verdict: Verdict
    measure: float | None
    limit: Limit | None
    reason: str
    notes: tuple[str, ...] = ()
