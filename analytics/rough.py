"""Figures as finely as they are known: a round step about as coarse as the range in which they may as well lie."""

from __future__ import annotations

import numpy as np

_STEPS = (1.0, 2.0, 5.0, 10.0)
_PARTS = 4.0  # own choice: a range of 2,500 is said in steps of 500


def rough(value: float, span: float | None = None) -> float:
    """A figure to a round step.

    Parameters
    ----------
    value : float
    span : float or None
        Width of the range that is nearly as good, in the unit of the value; two digits are kept where nobody knows it.

    Returns
    -------
    float
        A multiple of 1, 2 or 5 times a power of ten: the largest such step that is at most a quarter of the span.
    """
    if not np.isfinite(value) or value == 0:
        return value
    if span is None:
        step = 10.0 ** (np.floor(np.log10(abs(value))) - 1.0)
    else:
        wanted = max(span, 1e-9) / _PARTS
        power = 10.0 ** np.floor(np.log10(wanted))
        step = power * max(s for s in _STEPS if s * power <= wanted * (1 + 1e-9))
    return float(round(value / step) * step)


def span_of(interval: float, flat: tuple[float, float | None]) -> float:
    """Width of the range that costs hardly more; twice its lower half where it has no end."""
    low, high = flat
    return 2.0 * (interval - low) if high is None else high - low
