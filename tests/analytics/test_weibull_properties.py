"""What must hold for every Weibull fit: limits, invariance, coverage in simulation."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analytics.errors import TooFewEvents
from analytics.weibull import b_life, conditional_risk, fit_scale, fit_weibull, scale_interval, shape_interval

ROWS = st.lists(
    st.tuples(st.integers(0, 400), st.integers(1, 400), st.booleans(), st.integers(1, 3)), min_size=6, max_size=40
)


def fitted(rows):
    """Columns and fit, or nothing where the failures do not settle a shape."""
    entry, length, failed, weight = np.array(rows).T
    columns = entry, entry + length, failed.astype(bool), weight
    try:
        return columns, fit_weibull(*columns)
    except TooFewEvents:
        assume(False)


@given(ROWS)
def test_no_other_shape_and_scale_fits_better(rows):
    (entry, exit_, failed, weight), fit = fitted(rows)

    def log_likelihood(shape, scale):
        log_density = np.log(shape / scale) + (shape - 1) * np.log(exit_ / scale)
        return (weight * (failed * log_density - (exit_ / scale) ** shape + (entry / scale) ** shape)).sum()

    best = log_likelihood(fit.shape, fit.scale)
    assert fit.log_likelihood == pytest.approx(best, abs=1e-6, rel=1e-9)
    for factor in (0.999, 1.001):
        assert log_likelihood(fit.shape * factor, fit.scale) <= best + 1e-9
        assert log_likelihood(fit.shape, fit.scale * factor) <= best + 1e-9


@given(ROWS)
def test_unit_order_split_and_repeats_change_nothing(rows):
    (entry, exit_, failed, weight), fit = fitted(rows)
    miles = fit_weibull(entry / 1.609344, exit_ / 1.609344, failed, weight)
    assert miles.shape == pytest.approx(fit.shape, rel=1e-7)
    assert miles.scale * 1.609344 == pytest.approx(fit.scale, rel=1e-6)
    back = fit_weibull(entry[::-1], exit_[::-1], failed[::-1], weight[::-1])
    assert back.shape == pytest.approx(fit.shape, rel=1e-8)
    repeated = fit_weibull(*(np.repeat(column, weight) for column in (entry, exit_, failed)))
    assert repeated.shape == pytest.approx(fit.shape, rel=1e-8)
    cut = np.where(exit_ - entry > 1, entry + (exit_ - entry) // 2, exit_)
    pieces = cut < exit_
    split = fit_weibull(
        np.concatenate([entry, cut[pieces]]),
        np.concatenate([cut, exit_[pieces]]),
        np.concatenate([failed & ~pieces, failed[pieces]]),
        np.concatenate([weight, weight[pieces]]),
    )
    assert split.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-6)


@given(ROWS)
def test_shape_one_is_the_exponential(rows):
    entry, length, failed, weight = np.array(rows).T
    assume(failed.any())
    fit = fit_scale(entry, entry + length, failed, weight, shape=1.0)
    mean = (weight * length).sum() / (weight * failed).sum()
    assert fit.scale == pytest.approx(mean, rel=1e-10)
    deaths = (weight * failed).sum()
    assert fit.log_likelihood == pytest.approx(-deaths * (np.log(mean) + 1), rel=1e-10)
    assert fit.survival(3 * mean) / fit.survival(2 * mean) == pytest.approx(np.exp(-1))


@settings(deadline=None, max_examples=25)
@given(ROWS)
def test_intervals_hold_the_estimate_and_widen_with_the_level(rows):
    _, fit = fitted(rows)
    for quantity in (shape_interval, scale_interval, b_life):
        try:
            wide, narrow = quantity(fit, level=0.95), quantity(fit, level=0.5)
        except TooFewEvents:
            assume(False)
        assert wide.low < narrow.low < narrow.value < narrow.high < wide.high
    risk = conditional_risk(fit, 100, 50)
    assert 0 <= risk.low <= risk.value <= risk.high <= 1


def test_given_shape_one_has_the_poisson_likelihood_interval():
    """With shape 1 the rate's likelihood is Poisson: 2 (d log(d / m) - d + m) = 3.841 at both ends of m."""
    fit = fit_scale(0, [300.0, 500.0, 700.0, 900.0], [True, True, True, False], shape=1)
    interval = scale_interval(fit)
    for end in (interval.low, interval.high):
        expected = 2400 / end
        assert 2 * (3 * np.log(3 / expected) - 3 + expected) == pytest.approx(3.841459, abs=1e-5)
    wald = scale_interval(fit, method="delta")
    assert np.log(wald.high / fit.scale) == pytest.approx(1.959964 / np.sqrt(3), rel=1e-5)


def test_narrow_intervals_wrap_to_exact_failures():
    rng = np.random.default_rng(3)
    life = 100 * rng.weibull(1.7, 60)
    exact = fit_weibull(0, life, True)
    narrow = fit_weibull(0, life + 5e-5, True, lower=life - 5e-5)
    assert (narrow.shape, narrow.scale) == pytest.approx((exact.shape, exact.scale), rel=1e-5)


@pytest.mark.slow
def test_intervals_cover_what_they_say():
    """500 seeded worlds of 60 late-entered, censored units: 90 % intervals within binomial error of 90 %."""
    rng = np.random.default_rng(1234)
    hits = {"shape": 0, "b10": 0, "risk": 0, "delta": 0}
    b10 = 60 * (-np.log(0.9)) ** (1 / 2.0)
    risk = 1 - np.exp((40 / 60) ** 2 - (55 / 60) ** 2)
    for _ in range(500):
        entry = np.where(rng.random(60) < 0.5, rng.uniform(0, 50, 60), 0.0)
        life = 60 * np.sqrt((entry / 60) ** 2 + rng.exponential(size=60))
        exit_ = np.minimum(life, entry + rng.uniform(10, 60, 60))
        fit = fit_weibull(entry, exit_, exit_ == life)
        for name, truth, got in (
            ("shape", 2.0, shape_interval(fit, 0.9)),
            ("b10", b10, b_life(fit, level=0.9)),
            ("risk", risk, conditional_risk(fit, 40, 15, 0.9)),
            ("delta", risk, conditional_risk(fit, 40, 15, 0.9, method="delta")),
        ):
            hits[name] += got.low <= truth <= got.high
    for name, count in hits.items():
        assert 0.9 - 3.3 * 0.0134 <= count / 500 <= 0.9 + 3.3 * 0.0134, name
