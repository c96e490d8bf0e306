"""Repeated events: R survival 3.5-3 (survfit with id), surpyval 0.25, `reliability` 0.9.0, NIST, MIL-HDBK-189."""

import numpy as np
import pytest

from analytics.power_law import final_time_between_events, fit_power_law, shape_interval
from analytics.recurrence import histories, mean_cumulative_function
from analytics.trend import laplace, mil_hdbk_189, reverse_arrangements
from tests.reference import data


def valve_seats():
    ends, replaced = data.valve_seat()
    return histories(ends["id"], 0, ends["time"], replaced["id"], replaced["time"])


def one_system(ages, end):
    return histories([0], 0, end, np.zeros(len(ages)), ages)


def test_valve_seat_mean_number_and_robust_error():
    curve = mean_cumulative_function(valve_seats())
    days = [100.5, 200, 300, 400, 500, 600, 650]
    mean = [0.1463415, 0.2682927, 0.4634146, 0.6585366, 0.8085366, 1.0142641, 1.3204653]
    error = [0.0551993, 0.0773166, 0.1096073, 0.1318416, 0.1492549, 0.1738443, 0.2285052]
    assert curve.at(days) == pytest.approx(mean, abs=1e-7)
    assert curve.std_error_at(days) == pytest.approx(error, abs=1e-7)
    assert curve.units == 41 and curve.events.sum() == 48


def test_poisson_error_is_not_what_is_returned():
    """Sum of events / at risk^2 gives .0597 at 100.5 and .2107 at 650: a different figure."""
    curve = mean_cumulative_function(valve_seats())
    hit = curve.events > 0
    poisson = np.sqrt(np.cumsum(np.where(hit, curve.events / np.maximum(curve.at_risk, 1) ** 2, 0)))
    at = np.searchsorted(curve.time, [100.5, 650], side="right") - 1
    assert poisson[at] == pytest.approx([0.0597, 0.2107], abs=5e-5)
    assert (np.abs(poisson[at] / curve.std_error[at] - 1) > 0.05).all()


def test_five_systems():
    """R, surpyval; the package the data come from agrees on the mean and is wrong on the variance (.718 at 25)."""
    ends = [ages[-1] for ages in data.FIVE_SYSTEMS]
    unit = np.repeat(range(5), [len(ages) - 1 for ages in data.FIVE_SYSTEMS])
    events = np.concatenate([ages[:-1] for ages in data.FIVE_SYSTEMS])
    curve = mean_cumulative_function(histories(range(5), 0, ends, unit, events))
    ages = [5, 10, 15, 20, 25]
    assert curve.at(ages) == pytest.approx([0.2, 0.6, 1.6, 2.333333, 3.666667], abs=1e-6)
    variance = [0.032, 0.128, 0.208, 0.1896296, 0.1451852]
    assert curve.std_error_at(ages) ** 2 == pytest.approx(variance, abs=1e-6)


def test_two_unit_toy_by_hand():
    """Lawless-Nadeau by hand: 5/2 events, variance 1/8 (the independent-increments formula says 5/8)."""
    curve = mean_cumulative_function(histories([0, 1], 0, 10, [0, 0, 0, 1, 1], [1, 2, 3, 4, 5]))
    assert curve.at(5) == 2.5
    assert curve.std_error_at(5) ** 2 == pytest.approx(0.125)
    assert 0 < curve.interval_at(5)[0] < 2.5 < curve.interval_at(5)[1]


def test_valve_seat_power_law_and_trend():
    """R and surpyval; the two tests surpyval."""
    watch = valve_seats()
    fit = fit_power_law(watch)
    assert (fit.shape, fit.scale) == pytest.approx((1.3995793, 553.64302), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-346.490299, abs=1e-6)
    assert laplace(watch).statistic == pytest.approx(2.3786928, rel=1e-6)
    test = mil_hdbk_189(watch)
    assert (test.statistic, test.freedom) == (pytest.approx(66.148354, rel=1e-6), 96)
    assert test.direction == laplace(watch).direction == "worse"


def test_nist_system_in_development():
    """NIST e-Handbook 8.2.2.3 and 8.4.5.1 print the corrected shape, .2913, 310.234 and 157.71-548.56; R, surpyval."""
    watch = one_system(data.NIST_REPAIRS, 1500)
    fit = fit_power_law(watch)
    assert (fit.shape, fit.factor) == pytest.approx((0.5372289, 0.1966582), abs=1e-6)
    assert fit.shape_unbiased == pytest.approx(0.4835060, abs=1e-6)
    assert 10 / 1500**fit.shape_unbiased == pytest.approx(0.2913003, abs=1e-6)
    final = final_time_between_events(watch, fit)
    assert final.value == pytest.approx(310.234, abs=5e-4)
    assert (final.low, final.high) == pytest.approx((157.71, 548.56), abs=0.01)
    assert laplace(watch).statistic == pytest.approx(-1.326949, abs=1e-6)
    test = mil_hdbk_189(watch)
    assert (test.statistic, test.freedom) == (pytest.approx(37.2281, abs=1e-4), 20)
    assert reverse_arrangements(data.NIST_REPAIRS).statistic == 33


def test_military_handbook_example():
    """MIL-HDBK-189 (1981), appendix C, as published; R."""
    watch = one_system(data.MIL_HDBK_189_FAILURES, 300)
    fit = fit_power_law(watch)
    assert fit.shape == pytest.approx(0.7163392624, abs=1e-8)
    assert fit.factor == pytest.approx(0.4538418614, abs=1e-8)
    assert fit.time_between_events(300) == pytest.approx(15.510962, abs=1e-6)
    assert fit.expected(0, 300) == pytest.approx(27)
    interval = shape_interval(watch, fit)
    assert interval.low < fit.shape < interval.high


def test_watch_that_stopped_at_the_last_failure():
    """`reliability`, surpyval and the closed form n / sum log(T / t)."""
    ages = data.SYSTEM_GROWTH
    fit = fit_power_law(one_system(ages, 620), failure_truncated=True)
    assert (fit.shape, fit.factor) == pytest.approx((0.6142104, 0.4239422), abs=1e-6)
    assert fit.shape == pytest.approx(22 / np.log(620 / ages).sum(), rel=1e-10)
    assert fit.shape_unbiased == pytest.approx(fit.shape * 20 / 22)
