"""Bad observations are refused with the field's name and a way out."""

import numpy as np
import pytest

from analytics.competing import aalen_johansen
from analytics.curves import kaplan_meier
from analytics.errors import InvalidObservations, TooFewEvents
from analytics.piecewise import band_rates
from analytics.turnbull import turnbull


@pytest.mark.parametrize(
    ("rows", "field"),
    [
        (([], [], []), "exit"),
        (([0], [np.nan], [1]), "exit"),
        (([5], [4], [0]), "exit"),
        (([-1], [4], [0]), "entry"),
        (([4], [4], [1]), "observed"),
        (([0], [4], [2]), "observed"),
        (([0, 0], [4], [1]), "entry"),
        (([0], [4], [1], [0]), "weight"),
        (([0], ["far"], [1]), "exit"),
    ],
)
def test_bad_rows_are_refused_by_name(rows, field):
    with pytest.raises(InvalidObservations, match=f"^{field}:"):
        kaplan_meier(*rows)


def test_other_refusals():
    with pytest.raises(TooFewEvents, match="above 50"):
        kaplan_meier(0, [10, 20], [1, 1], condition_at=50)
    with pytest.raises(TooFewEvents, match="no failure"):
        turnbull(0, [10, 20], [False, False])
    with pytest.raises(InvalidObservations, match="level"):
        kaplan_meier(0, [10, 20], [1, 1], level=95)
    with pytest.raises(InvalidObservations, match="cause"):
        aalen_johansen(0, [10, 20], [1, -1])
    with pytest.raises(InvalidObservations, match="cuts"):
        band_rates(0, [10, 20], [1, 1], [0])
    with pytest.raises(InvalidObservations, match="whole numbers"):
        aalen_johansen(0, [10, 20], [1, 1.5])
    with pytest.raises(InvalidObservations, match="as many as exit"):
        aalen_johansen(0, [10, 20], [1])
    with pytest.raises(InvalidObservations, match=r"^lower.*below exit"):
        turnbull(0, [10, 20], [True, False], lower=[10, np.nan])


def test_scalars_unsigned_and_zero_one_flags_are_taken():
    expected = kaplan_meier([0, 0], [10.0, 20.0], [True, False]).estimate
    assert kaplan_meier(0, np.array([10, 20], dtype=np.uint32), [1, 0]).estimate == pytest.approx(expected)
