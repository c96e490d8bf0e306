"""What a reading on a motorcycle can be at all: a slipped point or a wrong unit shows before anything is judged.

Bounds are wide on purpose (own judgement, no source): inside them a reading may be alarming, outside them it is not
a reading of this quantity.
"""

from __future__ import annotations

from service.errors import InvalidInput

Span = tuple[float, float]

BY_UNIT: dict[str, Span] = {
    "V": (-30.0, 30.0),  # a 12 V system
    "mA": (0.0, 50_000.0),
    "ohm": (0.0, 1e7),
    "kohm": (0.0, 1e6),
    "Mohm": (0.0, 1e6),
    "kPa": (0.0, 5_000.0),
    "mm": (0.0, 1_000.0),
    "ml": (0.0, 5_000.0),
    "s": (0.0, 3_600.0),
    "years": (0.0, 100.0),
    "°C": (-60.0, 300.0),
    "count": (0.0, 1_000.0),
    "%": (0.0, 1_000.0),
    "percentage points": (0.0, 100.0),
}
BY_CHECK_AND_UNIT: dict[tuple[str, str], Span] = {
    ("T06", "V"): (0.0, 300.0),  # alternating, off load
    ("T07", "V"): (0.0, 5.0),  # the diode range of a meter
    ("T11", "count"): (0.0, 5.0),  # of five starts
    ("T19", "V"): (0.0, 200.0),
    ("T23", "%"): (0.0, 100.0),
    ("T24", "mm"): (0.0, 5.0),
    ("T26", "%"): (0.0, 20.0),
    ("T27", "mm"): (0.0, 20.0),
    ("T31", "mm"): (0.0, 30.0),
    ("T31", "%"): (0.0, 100.0),
    ("T32", "mm"): (0.0, 25.0),
    ("T34", "mm"): (0.0, 500.0),
}
# Differences from something else, which lie on either side of it.
SIGNED = frozenset(
    {
        "difference between one forward reading and the others",
        "end of travel outside the model figure by",
        "supply below battery voltage during prime",
        "supply off nominal (5 or 12 v)",
        "high level below the supply",
    }
)


def refuse_implausible(check: str, quantity: str, value: float, unit: str, pointer: str) -> None:
    """Refuse a value, in the unit of the limits, that no such reading can have.

    Raises
    ------
    InvalidInput
        Naming the span that readings lie in.
    """
    low, high = BY_CHECK_AND_UNIT.get((check, unit)) or BY_UNIT.get(unit, (float("-inf"), float("inf")))
    if value < 0 and unit in ("V", "mA") and quantity.casefold() not in SIGNED:
        raise InvalidInput(
            f"{value:g} {unit}: {quantity} cannot be below zero. Probes reversed? Swap them and measure again",
            pointer=pointer,
        )
    if not low <= value <= high:
        raise InvalidInput(
            f"{value:g} {unit} is no {quantity} a motorcycle can have ({low:g} to {high:g} {unit}):"
            " check the point and the unit",
            pointer=pointer,
        )
