"""Units of readings, by pint (imported when first needed): conversion, and refusal of the wrong dimension."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from analytics.errors import AnalyticsError

SPELLINGS = {
    "%": "percent",
    "percentage points": "percent",
    "°C": "degC",
    "°F": "degF",
    "years": "year",
    "Mohm": "megaohm",
}
BARE = ("count", "percent")  # both without dimension, yet never the same thing


class InvalidUnit(AnalyticsError):
    """A unit nobody knows, or of the wrong dimension."""


def convert(value: float, unit: str, to: str) -> float:
    """A value in another unit of the same dimension.

    Temperatures are points on a scale, not differences.

    Raises
    ------
    InvalidUnit
        If a unit is unknown or the two differ in dimension.
    """
    have, want = _known(unit), _known(to)
    if have == want:
        return value
    quantity = _registry().Quantity(1.0, have)
    if not quantity.is_compatible_with(want) or (str(have) in BARE) != (str(want) in BARE) or str(have) in BARE:
        raise InvalidUnit(f"unit '{unit}' does not measure the same as '{to}': give the reading in {to}")
    return float(_registry().Quantity(value, have).to(want).magnitude)


def may_be_negative(unit: str) -> bool:
    """True for volts, amperes and temperatures on a scale: their sign means something."""
    registry = _registry()
    return any(registry.Quantity(1.0, _known(unit)).is_compatible_with(u) for u in ("volt", "ampere", "degC"))


def is_resistance(unit: str) -> bool:
    """True for ohms of any size."""
    return bool(_registry().Quantity(1.0, _known(unit)).is_compatible_with("ohm"))


def is_percent(unit: str) -> bool:
    """True for per cents and percentage points."""
    return str(_known(unit)) == "percent"


def is_temperature(unit: str) -> bool:
    """True for kelvin and the temperature scales."""
    return bool(_registry().Quantity(1.0, _known(unit)).is_compatible_with("kelvin"))


@lru_cache(maxsize=1)
def _registry() -> Any:
    from pint import UnitRegistry

    return UnitRegistry()


@lru_cache(maxsize=256)
def _known(unit: str) -> Any:
    name = SPELLINGS.get(unit.strip(), unit.strip())
    try:
        if not name:
            raise ValueError(unit)
        return _registry().Unit(name)
    except Exception as error:  # pint raises its own, tokenizer and syntax errors for strange text
        raise InvalidUnit(
            f"unit '{unit}' is not known; write it like V, mA, ohm, kohm, kPa, bar, mm, ml, s, °C"
        ) from error
