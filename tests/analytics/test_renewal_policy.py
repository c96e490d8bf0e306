"""Renewal intervals: printed optima, the definition by quadrature, and what is not known carried through.

Age replacement at shape 2.5, scale 1000, costs 1 and 5: R 4.2.2, scipy and relife 3.0 agree (`test_reference_renewal`
names them). The belt figures are the project's own, worked from the definition.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import gamma

from analytics.errors import InvalidObservations
from analytics.life_model_types import LifePrior
from analytics.new_life import NewLife, fitted_life, known_life, mean_life, watched
from analytics.pooling import fit_component
from analytics.renewal import age_replacement
from analytics.renewal_policy import RenewalCosts, cost_curve, renewal_policy
from analytics.risk_draws import RiskTable
from analytics.spells import Cell
from tests.analytics.pooling_cases import make_spells, no_spells, weibull_spells

BELT, BELT_COSTS = known_life(5, 24), RenewalCosts(1, 4)
ANYWHERE = Cell("make", "family", "model")


def test_published_optimum():
    policy = renewal_policy(known_life(2.5, 1000), RenewalCosts(1, 5))
    assert policy.interval == pytest.approx(493.04696, rel=1e-4)
    assert policy.cost_rate.value == pytest.approx(0.003462042739, abs=1e-8)
    assert policy.run_to_failure.value == pytest.approx(0.005635302, abs=1e-8)
    assert policy.chance_it_saves == 1 and policy.reason == "" and policy.warnings == ()


def test_belts_at_printed_precision():
    ages = (13, 13.5, 15, 16, 17, 18)
    policy = renewal_policy(BELT, BELT_COSTS, alternatives=ages)
    assert round(policy.interval, 2) == 14.62
    assert round(policy.cost_rate.value, 5) == 0.08609
    assert round(policy.run_to_failure.value, 5) == 0.18152
    excess = [round(100 * a.excess, 1) for a in policy.alternatives[:-1]]
    assert excess == [2.4, 1.1, 0.1, 1.6, 4.8, 9.5]
    low, high = policy.flat
    assert 13 < low < 13.5 and 16 < high < 17
    assert policy.alternatives[-1].interval is None and policy.saving == pytest.approx(1 - 0.08609 / 0.18152, abs=1e-4)


def test_downtime_counts_as_money():
    bare = renewal_policy(BELT, RenewalCosts(1, 4))
    assert renewal_policy(BELT, RenewalCosts(0.5, 1, 0.5, 3, 1)).interval == pytest.approx(bare.interval)


@pytest.mark.parametrize("shape", [0.7, 1.0])
def test_failures_that_do_not_age_get_no_interval(shape):
    policy = renewal_policy(known_life(shape, 1000), RenewalCosts(1, 5), alternatives=(500,))
    assert policy.interval is None and policy.optimum is None and policy.flat is None and policy.saving == 0
    assert "do not age" in policy.reason
    assert policy.cost_rate == policy.run_to_failure
    assert policy.cost_rate.value == pytest.approx(5 / (1000 * gamma(1 + 1 / shape)), rel=1e-5)
    assert policy.alternatives[0].excess > 0


def test_failure_no_dearer_and_hardly_any_saving():
    assert "costs no more" in renewal_policy(known_life(4, 1000), RenewalCosts(5, 5)).reason
    assert "less than 2 %" in renewal_policy(known_life(1.2, 1000), RenewalCosts(1, 1.5)).reason


def two_draws(weight=(0.5, 0.5)):
    shape, scale = np.array([2.0, 4.0]), np.array([30_000.0, 50_000.0])
    return NewLife("km", 10.0, -shape * np.log(scale), shape, np.ones(2), np.array(weight))


def test_least_posterior_mean_cost_by_quadrature():
    """No other age has a lower mean cost over the draws, and the cost is the definition's."""

    def mean_cost(age):
        out = 0.0
        for shape, scale in ((2.0, 30_000.0), (4.0, 50_000.0)):
            good = np.exp(-((age / scale) ** shape))
            length = quad(lambda t, b=shape, s=scale: np.exp(-((t / s) ** b)), 0, age)[0]
            out += 0.5 * (100 * good + 700 * (1 - good)) / length
        return out

    policy = renewal_policy(two_draws(), RenewalCosts(100, 700), level=0.9)
    assert policy.cost_rate.value == pytest.approx(mean_cost(policy.interval), rel=1e-6)
    assert mean_cost(policy.interval) < min(mean_cost(policy.interval * f) for f in (0.9, 0.98, 1.02, 1.1))
    own = [age_replacement(b, s, 100, 700).interval for b, s in ((2, 30_000), (4, 50_000))]
    assert own[0] < policy.interval < own[1]
    assert policy.optimum == pytest.approx(own, rel=0.01)


def test_mean_life_and_hazard_in_closed_form():
    life = two_draws()
    assert mean_life(life) == pytest.approx(life.scale * gamma(1 + 1 / life.shape))
    assert life.hazard(np.array([15_000.0])) == pytest.approx(np.array([[0.25], [0.3**4]]))
    assert cost_curve(life, RenewalCosts(1, 2)).mean_age[:, -1] == pytest.approx(mean_life(life), rel=1e-6)


def table(spells, prior=None, component="belt"):
    return RiskTable.from_fits([fit_component(spells, prior or LifePrior(3.0, 30_000), component=component)])


def test_fitted_life_answers_alike_on_both_clocks():
    """At a steady use the two clocks are one: the interval in km is the interval in days times the use."""
    rng = np.random.default_rng(4)
    fits = table(weibull_spells(rng, 900, 4.0, 5.0))
    km, days = (
        renewal_policy(fitted_life(fits, "belt", ANYWHERE, clock=c, km_per_day=40.0), RenewalCosts(1, 4))
        for c in ("km", "days")
    )
    assert km.interval == pytest.approx(40.0 * days.interval, rel=1e-6)
    low, high = km.optimum
    assert low < km.interval < high
    assert km.evidence.failures > 100


def test_renewal_by_prior_alone_says_so():
    life = fitted_life(table(no_spells()), "belt", ANYWHERE, clock="km", km_per_day=40.0)
    assert "far end of the curve is prior" in renewal_policy(life, RenewalCosts(1, 6)).warnings[0]
    control_unit = table(no_spells(), LifePrior(1.0, 300_000), "unit")
    life = fitted_life(control_unit, "unit", ANYWHERE, clock="km", km_per_day=40.0)
    assert "do not age" in renewal_policy(life, RenewalCosts(1, 3)).reason


def test_warns_beyond_what_was_watched():
    spells = make_spells([0.0] * 6, [100.0, 200, 300, 400, 500, 600], [0] * 6)
    seen = watched(spells, "days")
    assert seen.to() == 200.0 and seen.to(least=7) is None
    assert "beyond 200" in renewal_policy(known_life(4, 900, "days"), RenewalCosts(1, 4), seen=seen).warnings[0]
    assert watched(spells, "km", cells=[3]).to() is None


def test_says_what_rests_on_no_failure_seen():
    """Every part renewed at 600 days or failed before: what comes later nobody saw, however many parts there are."""
    ages, failed = [100.0, 300.0] * 20 + [600.0] * 40, [1] * 40 + [0] * 40
    seen = watched(make_spells([0.0] * 80, ages, failed), "days")
    life, costs = known_life(4, 900, "days"), RenewalCosts(1, 6)
    policy = renewal_policy(life, costs, seen=seen)
    assert 300 < policy.interval < 600
    assert [w for w in policy.warnings if "few were seen to fail beyond" in w]
    later = watched(make_spells([0.0] * 85, [*ages, *[700.0] * 5], [*failed, *[1] * 5]), "days")
    assert not renewal_policy(life, costs, seen=later).warnings
    many = [900.0] * 100  # five failures tell little where a hundred came out good
    drowned = watched(make_spells([0.0] * 185, [*ages, *[700.0] * 5, *many], [*failed, *[1] * 5, *[0] * 100]), "days")
    assert renewal_policy(life, costs, seen=drowned).warnings


def test_refusals_name_the_field():
    with pytest.raises(InvalidObservations, match="alternatives"):
        renewal_policy(BELT, BELT_COSTS, alternatives=(0,))
    with pytest.raises(InvalidObservations, match="level"):
        renewal_policy(BELT, BELT_COSTS, level=1)
    with pytest.raises(InvalidObservations, match="failure"):
        RenewalCosts(1, 0)
    with pytest.raises(InvalidObservations, match="downtime_per_day"):
        RenewalCosts(1, 2, downtime_per_day=-1)
    with pytest.raises(InvalidObservations, match="ask in days"):
        known_life(2, 3, km_per_day=0)
    with pytest.raises(InvalidObservations, match="clock"):
        known_life(2, 3, "miles")
    with pytest.raises(InvalidObservations, match="scale"):
        known_life(2, -3)
