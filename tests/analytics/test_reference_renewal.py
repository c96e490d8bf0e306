"""Age replacement, renewal function, gamma-Poisson rates: R 4.2.2, scipy, relife 3.0, closed forms."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import gamma

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.gamma_poisson import fit_gamma_poisson
from analytics.renewal import age_replacement, renewal_function
from tests.reference import data


def test_age_replacement():
    """R and scipy; relife 493.0467. One public package prints 493.19, from a grid: compare cost, not age, with it."""
    policy = age_replacement(2.5, 1000, 1, 5)
    assert policy.interval == pytest.approx(493.04696, rel=1e-7)
    assert policy.cost_rate == pytest.approx(0.003462042739, abs=1e-12)
    assert policy.cost_rate_run_to_failure == pytest.approx(0.005635302, abs=1e-9)


def test_age_replacement_cost_by_quadrature():
    """The definition: expected cost of a cycle over its expected length; no other age is cheaper."""

    def cost(age):
        good = np.exp(-((age / 700) ** 1.8))
        return (3 * good + 11 * (1 - good)) / quad(lambda t: np.exp(-((t / 700) ** 1.8)), 0, age)[0]

    policy = age_replacement(1.8, 700, 3, 11)
    assert policy.cost_rate == pytest.approx(cost(policy.interval), rel=1e-10)
    assert cost(policy.interval) <= min(cost(policy.interval * f) for f in (0.8, 0.99, 1.01, 1.2))


@pytest.mark.parametrize(("shape", "planned", "failure"), [(1.0, 1, 5), (0.7, 1, 5), (3.0, 5, 5), (3.0, 6, 5)])
def test_no_age_is_worth_a_planned_renewal(shape, planned, failure):
    policy = age_replacement(shape, 1000, planned, failure)
    assert policy.interval is None and policy.reason
    assert policy.cost_rate == policy.cost_rate_run_to_failure == failure / (1000 * gamma(1 + 1 / shape))


def test_best_ages_beyond_the_scale_and_beyond_reach():
    """Nearly constant hazard and a failure hardly dearer: late, then never; running to failure costs the same."""
    late = age_replacement(1.5, 1000, 1, 1.8)
    assert late.interval > 1000 and late.cost_rate < late.cost_rate_run_to_failure
    never = age_replacement(1.05, 1000, 4.9, 5)
    assert never.interval is None and "beyond" in never.reason


def test_renewal_function():
    """R discretisation and relife."""
    assert renewal_function(2, 1, [0.5, 1, 2]) == pytest.approx([0.230794, 0.753691, 1.894039], abs=1e-5)


def test_renewal_function_limits():
    """Shape 1 is a Poisson process; far out the count is t / mean + (variance / mean^2 - 1) / 2."""
    assert renewal_function(1, 40.0, [10, 80]) == pytest.approx([0.25, 2.0], abs=1e-9)
    mean = gamma(1.5)
    spread = gamma(2) / mean**2 - 1
    assert renewal_function(2, 1, 10 * mean) == pytest.approx(10 + (spread - 1) / 2, abs=1e-4)


def test_pump_rates():
    """R and scipy on the marginal likelihood; NIMBLE's documentation prints .82377 and 1.26348 by Monte Carlo EM."""
    fit = fit_gamma_poisson(data.PUMP_FAILURES, data.PUMP_EXPOSURE)
    assert (fit.shape, fit.exposure) == pytest.approx((0.8229651, 1.2616534), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-32.257836, abs=1e-6)
    rates = [0.0609341, 0.1074757, 0.0907546, 0.1164763, 0.5879989]
    rates += [0.6069187, 0.7885979, 0.7885979, 1.4347003, 1.9404555]
    assert fit.rate == pytest.approx(rates, rel=1e-5)
    assert ((fit.low < fit.rate) & (fit.rate < fit.high)).all()


def test_refusals_name_the_field_or_the_way_out():
    with pytest.raises(TooFewEvents, match="pool the groups"):
        fit_gamma_poisson([3, 3, 3, 3], [1, 1, 1, 1])
    with pytest.raises(TooFewEvents, match="catalogue prior"):
        fit_gamma_poisson([0, 0], [1, 1])
    with pytest.raises(InvalidObservations, match="count"):
        fit_gamma_poisson([1, 2.5], [1, 1])
    with pytest.raises(InvalidObservations, match="count and exposure"):
        fit_gamma_poisson([1, 2], [1])
    with pytest.raises(InvalidObservations, match="exposure"):
        fit_gamma_poisson([1, 2], [1, 0])
    with pytest.raises(InvalidObservations, match="cost_failure"):
        age_replacement(2, 1000, 1, -5)
    with pytest.raises(InvalidObservations, match="time"):
        renewal_function(2, 1, [-1])
    assert renewal_function(2, 1, 0) == 0
    with pytest.raises(InvalidObservations, match="mean lives"):
        renewal_function(2, 1, [1000])
