"""Prediction intervals of a fleet's failures next quarter hold as often as they say, on worlds of known truth.

The long form is 200 worlds; the short one twelve, with bounds wider by three standard errors of so few: over 200
worlds one world's coverage had a standard deviation of 6 points at 80 % and of 3 at 95 %.
"""

from __future__ import annotations

from tests.worlds.forecasts import coverage


def test_intervals_of_next_quarter_hold(torture: bool) -> None:
    worlds = 200 if torture else 12
    mean, error = coverage(worlds)
    print(mean, error)
    slack80, slack95 = (0.005, 0.005) if torture else (0.052, 0.026)
    for at_80, at_95 in ((mean[0], mean[1]), (mean[2], mean[3])):
        assert 0.78 - slack80 <= at_80 <= 0.82 + slack80
        assert 0.93 - slack95 <= at_95 <= 0.97 + slack95
