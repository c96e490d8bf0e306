"""Weibull: what the data cannot carry is refused with the way out; anything else is fitted to the maximum."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.weibull import b_life, conditional_risk, fit_scale, fit_weibull, shape_interval
from analytics.weibull_likelihood import profile


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 30), st.sampled_from([0.0, 0.5, 1.0]))
def test_late_entry_and_checks_are_fitted_or_refused_never_broken(seed, n, found_at_checks):
    """Small worlds, some hopeless: the answer is a stationary point inside its intervals, or a refusal."""
    rng = np.random.default_rng(seed)
    shape, scale = rng.uniform(0.4, 5), 10 ** rng.uniform(0, 5)
    entry = np.where(rng.random(n) < 0.5, rng.uniform(0, 1.5 * scale, n), 0.0)
    life = scale * ((entry / scale) ** shape + rng.exponential(size=n)) ** (1 / shape)
    step, end = scale * rng.uniform(0.05, 0.5), entry + scale * rng.uniform(0.1, 2, n)
    look = entry + step * np.ceil((life - entry) / step)
    checked = rng.random(n) < found_at_checks
    exit_ = np.where(checked, look, life)
    failed = exit_ <= end
    lower = np.where(checked & failed, np.maximum(look - step, entry), np.nan)
    try:
        fit = fit_weibull(entry, np.where(failed, exit_, end), failed, lower=lower)
        figures = [shape_interval(fit, 0.8), b_life(fit, level=0.8), conditional_risk(fit, scale / 2, scale / 4, 0.8)]
    except TooFewEvents:
        return
    slope = profile(fit.sums, float(np.log(fit.shape)))[1].slope
    assert np.abs(slope).max() < 1e-7 * n
    assert all(f.low <= f.value <= f.high for f in figures)
    assert (np.linalg.eigvalsh(fit.covariance) > 0).all()


def test_a_likelihood_that_rises_for_ever_is_refused():
    """Every survivor left before every failure: the steeper the better, without end."""
    with pytest.raises(TooFewEvents, match="do not settle"):
        fit_weibull([0, 0, 92, 645], [150, 355, 235, 1000], [False, True, False, True], lower=[np.nan, 0, np.nan, 645])


@pytest.mark.parametrize(
    "columns",
    [
        (0, [2000.0, 5000.0, 9000.0], [False] * 3),
        (0, [2000.0, 5000.0, 9000.0], [False, True, False]),
        (0, [5000.0, 5000.0, 9000.0], [True, True, False]),
    ],
)
def test_fewer_than_two_distinct_failures_are_refused(columns):
    """lifelines answers the first with shape 164 and no warning; here the way out is named."""
    with pytest.raises(TooFewEvents, match=r"pooled model.*fit_scale"):
        fit_weibull(*columns)


def test_other_refusals():
    with pytest.raises(TooFewEvents, match="no failure"):
        fit_scale(0, [1000.0], [False], shape=2)
    with pytest.raises(InvalidObservations, match=r"^shape"):
        fit_scale(0, [1000.0], [True], shape=0)
    with pytest.raises(InvalidObservations, match=r"^lower.*lower = entry"):
        fit_weibull(30, [40.0, 50.0, 60.0], [True, True, False], lower=[0, 35, np.nan])
    with pytest.raises(TooFewEvents, match="ever seen good"):
        fit_weibull(0, [10.0, 20.0], [True, True], lower=[0, 0])
    one = fit_scale(0, [1000.0, 3000.0], [True, False], shape=2)
    with pytest.raises(InvalidObservations, match="was given"):
        shape_interval(one)
    with pytest.raises(InvalidObservations, match="share"):
        b_life(one, 10)
    with pytest.raises(InvalidObservations, match="ahead"):
        conditional_risk(one, 10, 0)
