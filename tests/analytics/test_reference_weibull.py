"""One-group Weibull against NIST, SAS's cracks example, R (survival 3.5-3, optim) and Python libraries.

lifelines 0.30.3, surpyval 0.25, relife 3.0. Literals agree in the programs named to the tolerance;
data and their sources: tests/reference/README.md.
"""

import lifelines
import numpy as np
import pytest

from analytics.weibull import conditional_risk, fit_scale, fit_weibull, scale_interval, shape_interval
from tests.reference import data


def assert_fit(fit, scale, shape, log_likelihood):
    assert fit.scale == pytest.approx(scale, rel=1e-5)
    assert fit.shape == pytest.approx(shape, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=1.1e-6)


def test_diesel_fans():
    """R survreg, lifelines, surpyval; profile-likelihood interval: R and surpyval."""
    fit = fit_weibull(0, *data.genfan())
    assert_fit(fit, 26296.845, 1.0584458, -135.152720)
    interval = shape_interval(fit)
    assert (interval.low, interval.high) == pytest.approx((0.605974, 1.657941), rel=1e-5)


def test_nist_units():
    """NIST e-Handbook 8.4.1.3 prints 606.5280, 1.7208 and 75.135; more digits from R, lifelines, surpyval."""
    fit = fit_weibull(0, *data.NIST_UNITS)
    assert_fit(fit, 606.5276, 1.720797, -75.134618)
    assert (round(fit.scale, 2), round(fit.shape, 4)) == (606.53, 1.7208)
    interval = shape_interval(fit)
    assert (interval.low, interval.high) == pytest.approx((0.905645, 2.885738), rel=1e-5)
    assert fit.survival(500) / fit.survival(300) == pytest.approx(0.657411, rel=1e-5)
    assert 1 - conditional_risk(fit, 300, 200).value == pytest.approx(0.657411, rel=1e-5)


def test_shock_absorbers():
    """R, lifelines, surpyval."""
    assert_fit(fit_weibull(0, *data.shock_absorbers()), 27717.362, 3.1605796, -123.993944)


def test_turbine_wheels_looked_at_once():
    """Every failure left-censored. R, lifelines, surpyval."""
    lower, hours, cracked, count = data.turbine()
    assert_fit(fit_weibull(0, hours, cracked, count, lower=lower), 46.77723, 2.175780, -189.287193)


def test_cracks_found_at_readings():
    """R, lifelines, surpyval; SAS's documentation prints 71.6904 and 1.4854 (from memory)."""
    lower, exit_, found, count = data.cracks()
    assert_fit(fit_weibull(0, exit_, found, count, lower=lower), 71.690406, 1.485367, -309.668409)


def test_taking_the_reading_for_the_crack_is_wrong():
    """Exact-at-inspection coding gives 70.09 and 1.888 (R, lifelines, surpyval): a shape 27 % too steep."""
    lower, exit_, found, count = data.cracks()
    naive = fit_weibull(0, exit_, found, count)
    assert (naive.scale, naive.shape) == pytest.approx((70.09, 1.888), rel=5e-4)
    assert fit_weibull(0, exit_, found, count, lower=lower).shape < 0.8 * naive.shape


LATE_ENTRY = [
    (lambda: data.channing(1), (968.8397, 6.280103, -274.750897), 14.22),
    (lambda: data.channing(2), (1057.1644, 9.522065, -807.828623), 14.79),
    (lambda: data.grid_assets("power_transformer"), (81.44323, 3.465972, -1698.242754), 4.119),
    (lambda: data.grid_assets("circuit_breaker"), (81.14732, 3.726745, -1244.860989), 5.08),
]


@pytest.mark.parametrize(("load", "expected", "naive_shape"), LATE_ENTRY)
def test_late_entry_and_the_naive_answer(load, expected, naive_shape):
    """R (optim on the likelihood), lifelines, surpyval; grid assets also relife. Naive shapes are too steep."""
    entry, exit_, failed = load()
    fit = fit_weibull(entry, exit_, failed)
    assert_fit(fit, *expected)
    naive = fit_weibull(0, exit_, failed).shape
    assert naive == pytest.approx(naive_shape, rel=1e-3)
    assert naive > 1.15 * fit.shape


def test_scale_at_a_given_shape():
    """R optim, numpy."""
    fit = fit_scale(*data.grid_assets("power_transformer"), shape=3.5)
    assert fit.scale == pytest.approx(81.2919474, rel=1e-7)


def test_profile_interval_of_the_scale_against_direct_profiling():
    """Independent path: maximise lifelines' own likelihood over the shape with the scale held at each end."""
    age, failed = data.NIST_UNITS
    fit = fit_weibull(0, age, failed)
    for end in (scale_interval(fit).low, scale_interval(fit).high):
        shapes = np.linspace(0.3, 5, 20001)
        d, logs = failed.sum(), np.log(age[failed] / end).sum()
        inside = d * np.log(shapes / end) + (shapes - 1) * logs - ((age / end) ** shapes[:, None]).sum(1)
        assert 2 * (fit.log_likelihood - inside.max()) == pytest.approx(3.841459, abs=1e-5)


@pytest.mark.parametrize("whole_km", [True, False])
def test_same_likelihood_as_lifelines_with_entry_censoring_and_weights(whole_km):
    """Both routes, bins and rows; the target is 1e-6 on the log-likelihood."""
    rng = np.random.default_rng(17)
    life = 600 * rng.weibull(2.2, 4000)
    entry = np.where(rng.random(4000) < 0.5, rng.uniform(50, 600, 4000), 0.0)
    exit_ = np.minimum(life, entry + rng.uniform(10, 300, 4000))
    failed = exit_ == life
    if whole_km:
        entry, exit_ = np.floor(entry), np.ceil(exit_)
    seen = exit_ > entry
    entry, exit_, failed = entry[seen], exit_[seen], failed[seen]
    weight = rng.integers(1, 4, len(exit_))
    theirs = lifelines.WeibullFitter().fit(exit_, failed, entry=entry, weights=weight)
    ours = fit_weibull(entry, exit_, failed, weight)
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-6)
    assert ours.log_likelihood >= theirs.log_likelihood_ - 1e-9
    assert ours.shape == pytest.approx(theirs.rho_, rel=1e-5)
    assert shape_interval(ours, method="delta").low == pytest.approx(
        theirs.summary.loc["rho_", "coef lower 95%"], rel=0.01
    )


def test_interval_failures_with_late_entry():
    """lifelines coded the one right way: lower bound at least entry, survivors' upper bound infinite."""
    rng = np.random.default_rng(4)
    life = 50 * rng.weibull(2.0, 3000)
    entry = rng.uniform(0, 40, 3000)
    kept = life > entry
    life, entry = life[kept], entry[kept]
    looks = entry + 8 * np.ceil((life - entry) / 8)
    end = entry + 24
    failed = looks <= end
    exit_, lower = np.where(failed, looks, end), np.where(failed, np.maximum(looks - 8, entry), np.nan)
    ours = fit_weibull(entry, exit_, failed, lower=lower)
    theirs = lifelines.WeibullFitter().fit_interval_censoring(
        np.where(failed, lower, end), np.where(failed, exit_, np.inf), entry=entry
    )
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-5)
    assert (ours.scale, ours.shape) == pytest.approx((theirs.lambda_, theirs.rho_), rel=1e-4)
    assert (ours.scale, ours.shape) == pytest.approx((50, 2.0), rel=0.06)
