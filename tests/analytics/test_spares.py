"""Spares: the belt fleet of the project's check figures, simulation, and what is due at once."""

import numpy as np
import pytest
from scipy.stats import poisson

from analytics.count_forecast import known_count
from analytics.errors import InvalidObservations
from analytics.fleet import Interval
from analytics.fleet_parts import fleet_of
from analytics.fleet_types import FleetMachine
from analytics.life_model_types import PartState
from analytics.new_life import known_life
from analytics.pooling import fit_component
from analytics.risk_draws import RiskTable
from analytics.spares import SparesAdvice, demand_ahead, steady_demand
from tests.analytics.fleet_cases import CELL, NOTHING, PRIOR, fitted_table

BELT = known_life(5, 24)  # thousand km
TABLE = fitted_table(shape=4.0)


def test_belt_fleet_at_printed_precision():
    """60 machines at 20,000 km a year, renewed at 15,000: worked from the definition for this project."""
    year = steady_demand(BELT, 60, 20.0, interval=15.0)
    assert round(year.parts, 1) == 81.3 and round(year.failures, 1) == 7.4
    month = steady_demand(BELT, 60, 20.0 / 13, interval=15.0)
    assert round(month.parts, 2) == 6.25
    advice = SparesAdvice.of(month.forecast, 28.0, 0.97)
    assert advice.stock == 11 and round(advice.covers, 3) == 0.974
    assert advice.covers == pytest.approx(poisson.cdf(11, 6.25), abs=1e-3)
    assert advice.low <= 6 <= advice.high


def test_run_to_failure_takes_a_part_every_mean_life():
    free = steady_demand(known_life(1, 50), 10, 100.0)
    assert free.parts == pytest.approx(20.0, rel=1e-5) and free.failures == pytest.approx(free.parts)


def machine(age_km, km_per_day=60.0):
    return FleetMachine(CELL, km_per_day, [PartState("belt", 30_000, 600.0, age_km, age_km / km_per_day)])


def test_what_is_due_at_once_is_seen():
    """Twenty belts of one age, all due within the lead time: no Poisson count, twenty for certain."""
    together = fleet_of(TABLE, [machine(11_000)] * 20)
    due = demand_ahead(together, "belt", 28.0, interval=Interval(km=12_000))
    assert due.quantile(0.05) == 20 and due.expected == pytest.approx(20, abs=0.5)
    later = demand_ahead(together, "belt", 28.0, interval=Interval(km=20_000))
    assert later.expected < 5


def test_demand_of_all_ages_is_the_steady_one():
    """Ages spread as they are in the long run: the count from ages now agrees with parts over mean age."""
    ages = np.linspace(0, 12_000, 400)  # hardly any fails before 12,000, so ages are even
    fleet = fleet_of(TABLE, [machine(a) for a in ages])
    found = demand_ahead(fleet, "belt", 28.0, interval=Interval(km=12_000))
    assert found.expected == pytest.approx(400 * 28 * 60 / 12_000, rel=0.06)


@pytest.mark.parametrize("days", [3.0, 7.0, 25.0, 90.0])
def test_a_part_renewed_often_is_taken_as_often_as_that(days):
    """A third of a year: forty renewals of one part in it are forty parts, not one for each step."""
    fleet = fleet_of(TABLE, [machine(0)] * 30)
    found = demand_ahead(fleet, "belt", 120.0, interval=Interval(days=days))
    low, high = (30 * renewals for renewals in (np.floor(120 / days), 120 / days + 1))
    assert 0.98 * low <= found.expected <= high
    assert found.between(0.8)[0] <= found.expected <= found.between(0.8)[1] + 1


def test_short_lives_of_a_vague_prior_take_no_end_of_parts():
    bare = FleetMachine(CELL, 60.0, [PartState("pump", 9000, 150.0)])
    fleet = fleet_of(RiskTable.from_fits([fit_component(NOTHING, PRIOR, component="pump", seed=3)]), [bare] * 30)
    found = demand_ahead(fleet, "pump", 1000.0, interval=Interval(days=7))
    assert 0.9 * 30 * 142 < found.expected < 30 * (1000 / 7 + 1 + 12) and len(found.cumulative) < 10_000


def test_demand_by_simulation():
    draws = TABLE.draw([machine(9_000).states[0]], CELL)
    rng = np.random.default_rng(5)
    pick = rng.choice(len(draws.weight[0]), size=2000, p=draws.weight[0])
    theta, shape, w = (a[0, pick][:, None] for a in (draws.log_theta, draws.shape, draws.clock_weight))
    per_day = (w * 60.0 * 365.25 / 5000 + 1 - w) / 10 / 365.25
    start = per_day * 150.0
    target = np.exp(theta) * start**shape + rng.exponential(size=(2000, 30))
    clock = np.exp((np.log(target) - theta) / shape) / per_day - 150.0
    count = np.zeros((2000, 30))
    while (clock <= 200).any():
        count += clock <= 200
        clock += np.exp((np.log(rng.exponential(size=clock.shape)) - theta) / shape) / per_day
    total = count.sum(axis=1)
    found = demand_ahead(fleet_of(TABLE, [machine(9_000)] * 30), "belt", 200.0)
    assert found.expected == pytest.approx(total.mean(), rel=0.04)  # which leaves the doubt about the young out
    assert found.between(0.8) == pytest.approx(np.quantile(total, [0.1, 0.9]), abs=1)


def test_large_fleets_by_moments():
    fleet = fleet_of(TABLE, [machine(a) for a in np.linspace(0, 14_000, 1200)])
    found = demand_ahead(fleet, "belt", 28.0)
    small = demand_ahead(fleet_of(TABLE, [machine(a) for a in np.linspace(0, 14_000, 400)]), "belt", 28.0)
    assert found.expected == pytest.approx(3 * small.expected, rel=0.02)


def test_refusals_name_the_field():
    with pytest.raises(InvalidObservations, match="cover"):
        SparesAdvice.of(known_count(2), 28, 1.0)
    with pytest.raises(InvalidObservations, match="lead_time_days"):
        SparesAdvice.of(known_count(2), 0, 0.9)
    with pytest.raises(InvalidObservations, match="positions"):
        steady_demand(BELT, 0, 1)
    with pytest.raises(InvalidObservations, match="interval"):
        steady_demand(BELT, 1, 1, interval=-2)
    fleet = fleet_of(TABLE, [machine(1)])
    with pytest.raises(InvalidObservations, match="component"):
        demand_ahead(fleet, "tyre", 28)
    with pytest.raises(InvalidObservations, match="lead_time_days"):
        demand_ahead(fleet, "belt", 0)
