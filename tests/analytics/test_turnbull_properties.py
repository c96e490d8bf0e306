"""The step function for intervals must be a maximum of its likelihood, whatever the data, late entry included."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analytics.turnbull import turnbull


@given(
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 6), st.integers(1, 6), st.booleans()), min_size=2, max_size=25)
)
def test_turnbull_reaches_a_maximum(rows):
    """No small shift of mass between two drops raises the likelihood; the curve stays in range."""
    entry, good, found, seen = np.array(rows).T
    lower, exit_, seen = (entry + good).astype(float), entry + good + found, seen.astype(bool)
    if not seen.any():
        seen[0] = True
    curve = turnbull(entry, exit_, seen, lower)
    assert ((curve.estimate >= 0) & (curve.estimate <= 1)).all() and (np.diff(curve.estimate) <= 0).all()

    def log_likelihood(estimate):
        steps = np.append(1.0, estimate)

        def share(age):
            return steps[np.searchsorted(curve.time, age, side="right")]

        chance = np.where(seen, share(lower) - share(exit_), share(exit_)) / share(entry)
        return np.log(chance).sum()

    alive = curve.estimate > 0
    if not alive.any() or (np.append(1.0, curve.estimate)[np.searchsorted(curve.time, entry, side="right")] <= 0).any():
        return
    best = log_likelihood(curve.estimate)
    for j in np.flatnonzero(alive):
        for shift in (1e-4, -1e-4):
            other = curve.estimate.copy()
            other[j] += shift
            if (np.diff(np.append(1.0, other)) <= 0).all() and other[j] > 0:
                assert log_likelihood(other) <= best + 1e-7
