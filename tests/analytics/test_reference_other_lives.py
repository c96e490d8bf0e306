"""Exponential, lognormal and log-logistic beside Weibull: R (survival 3.5-3, optim) and surpyval 0.25, closed forms.

The two-parameter fits run through lifelines; these figures show that its traps are avoided on the way.
"""

import numpy as np
import pytest

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.other_lives import compare_lives, fit_exponential, fit_loglogistic, fit_lognormal
from analytics.piecewise import band_rates
from tests.reference import data


def test_diesel_fans():
    hours, failed = data.genfan()
    exponential = fit_exponential(0, hours, failed)
    assert exponential.parameters["mean"] == pytest.approx(344440 / 12, rel=1e-12)
    assert exponential.log_likelihood == pytest.approx(-135.177222, rel=1e-7)
    lognormal = fit_lognormal(0, hours, failed)
    assert list(lognormal.parameters.values()) == pytest.approx([10.143239, 1.679593], rel=2e-5)
    assert lognormal.log_likelihood == pytest.approx(-134.549648, abs=1e-6)
    loglogistic = fit_loglogistic(0, hours, failed)
    assert list(loglogistic.parameters.values()) == pytest.approx([21166.138, 1.135924], rel=1e-5)
    assert loglogistic.log_likelihood == pytest.approx(-135.008373, abs=1e-6)


def test_nist_units_lognormal():
    fit = fit_lognormal(0, *data.NIST_UNITS)
    assert list(fit.parameters.values()) == pytest.approx([6.226015, 0.908914], rel=1e-5)


def test_turbine_wheels_looked_at_once():
    lower, hours, cracked, count = data.turbine()
    fits = {f.family: f for f in compare_lives(0, hours, cracked, count, lower=lower)}
    assert list(fits["lognormal"].parameters.values()) == pytest.approx([3.699908, 0.719886], rel=2e-5)
    assert fits["lognormal"].log_likelihood == pytest.approx(-190.731549, abs=1e-6)
    assert list(fits["log-logistic"].parameters.values()) == pytest.approx([39.63476, 2.541030], rel=1e-5)
    assert fits["log-logistic"].log_likelihood == pytest.approx(-189.728257, abs=1e-6)
    assert fits["exponential"].parameters["mean"] == pytest.approx(79.9322, rel=1e-6)
    assert next(iter(fits)) == "weibull"


@pytest.mark.parametrize(
    ("gender", "mean", "lognormal", "log_likelihood"),
    [
        (1, 155.304348, [6.833100, 0.150832], -275.882373),
        (2, 230.530769, [6.931436, 0.108253], -809.476295),
    ],
)
def test_retirement_centre_with_late_entry(gender, mean, lognormal, log_likelihood):
    rows = data.channing(gender)
    assert fit_exponential(*rows).parameters["mean"] == pytest.approx(mean, rel=1e-8)
    fit = fit_lognormal(*rows)
    assert list(fit.parameters.values()) == pytest.approx(lognormal, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=1e-6)


def test_log_logistic_with_late_entry_does_not_run_off():
    """From its own start lifelines goes to scale 0 here; ours must find a likelihood near the lognormal's."""
    rows = data.channing(1)
    fit = fit_loglogistic(*rows)
    assert 900 < fit.parameters["scale"] < 1000
    assert abs(fit.log_likelihood - fit_lognormal(*rows).log_likelihood) < 2


def test_rates_by_age_band():
    """R (pyears) and numpy: events and exposure of power transformers by band of age."""
    rates = band_rates(*data.grid_assets("power_transformer"), [0, 20, 40, 60, 100])
    assert rates.failures.tolist() == [12, 49, 138, 119]
    assert rates.exposure == pytest.approx([9555.1, 13759.1, 13008.6, 3667.0], rel=1e-7)
    assert (rates.low < rates.rate).all() and (rates.rate < rates.high).all()


def test_best_fit_comes_first_and_penalises_parameters():
    fits = compare_lives(0, *data.genfan())
    assert [f.aic for f in fits] == sorted(f.aic for f in fits)
    assert fits[0].family == "exponential"


def test_refuses_what_the_libraries_accept():
    with pytest.raises(TooFewEvents, match="pooled"):
        compare_lives(0, [2000, 5000, 9000], [0, 0, 0])
    with pytest.raises(TooFewEvents, match="two parameters"):
        fit_lognormal(0, [5, 5, 9], [1, 1, 0])
    with pytest.raises(InvalidObservations, match="lower = entry"):
        fit_lognormal(30.0, np.array([40.0, 50.0]), [True, True], lower=[0.0, 35.0])
