"""The outlook of a fleet against the question asked machine by machine, simulation, and its own parts."""

from dataclasses import replace
from weakref import WeakKeyDictionary

import numpy as np
import pytest

from analytics.errors import InvalidObservations, UnknownComponent
from analytics.fleet import Interval, change_of_interval, outlook, parts_of
from analytics.fleet_parts import fleet_of
from analytics.fleet_path import chance_within
from analytics.fleet_types import FleetMachine
from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.pooling import fit_component
from analytics.renewal_policy import RenewalCosts
from analytics.risk import assess
from analytics.risk_draws import RiskTable
from analytics.state_columns import StateColumns
from tests.analytics.fleet_cases import CELL, NOTHING, PRIOR, fitted_table, small_fleet

TABLE = fitted_table()
MACHINES = small_fleet(60)
FLEET = fleet_of(TABLE, MACHINES)


@pytest.mark.parametrize("days", [30.0, 365.25])
def test_chances_agree_with_those_of_single_machines(days):
    """Where records speak first failures agree in total and part by part; `assess` takes five times the draws.

    Both are means over sixteen sets of draws: one set is off by up to 8 % for a part.
    """
    tables = [fitted_table(draws=draws) for draws in range(16)]
    found = np.mean([outlook(fleet_of(table, MACHINES), days).part_chance for table in tables], axis=0)
    asked = np.mean([asked_one_by_one(table, MACHINES, days) for table in tables], axis=0)
    belts = FLEET.part_component == 0
    known = np.array([s.known_start for m in MACHINES for s in m.states])
    assert found[belts].sum() == pytest.approx(asked[belts].sum(), rel=0.01)
    assert found[belts & known] == pytest.approx(asked[belts & known], rel=0.04, abs=1e-4)


@pytest.mark.parametrize("days", [30.0, 365.25])
def test_chances_agree_over_many_draws_where_a_prior_alone_speaks(days):
    """A prior that spans a factor of ten and more leaves 6 % between two sets of draws: these are of twelve seeds."""
    pumps = [replace(m, states=[s for s in m.states if s.component == "pump"]) for m in MACHINES[:30]]
    found = asked = 0.0
    for seed in range(12):
        table = RiskTable.from_fits([fit_component(NOTHING, PRIOR, component="pump", seed=seed)])
        found += outlook(fleet_of(table, pumps), days).part_chance.sum()
        asked += asked_one_by_one(table, pumps, days).sum()
    assert found == pytest.approx(asked, rel=0.07)


@pytest.mark.parametrize("days", [30.0, 365.25])
def test_chances_of_the_parts_that_are_in_are_those_of_the_outlook(days):
    assert chance_within(FLEET, days) == pytest.approx(outlook(FLEET, days).part_chance, rel=1e-5, abs=1e-7)


def test_a_part_that_is_replaced_many_times_a_year_fails_once_for_what_is_in_now():
    """Lives of some 100 km at 15 km a day are over within a year in every draw (Weibull, shape 2)."""
    table = RiskTable.from_fits([fit_component(NOTHING, LifePrior(2.0, 100.0), component="pump", seed=1)])
    pumps = [replace(m, states=[s for s in m.states if s.component == "pump"]) for m in MACHINES[:10]]
    assert chance_within(fleet_of(table, pumps), 366.0) == pytest.approx(1.0, abs=0.01)


def asked_one_by_one(table: RiskTable, machines: list[FleetMachine], days: float) -> np.ndarray:
    return np.array(
        [
            c.chance_in_horizon.value
            for m in machines
            for c in assess(table, m.states, m.cell, Horizon(days=days), m.km_per_day)
        ]
    )


def test_a_fleet_read_again_after_a_change_is_as_one_read_anew(monkeypatch):
    machines = small_fleet(40, unknown=0.8)
    before = [group.drawn for group in fleet_of(TABLE, machines).groups if group.drawn]
    as_drawn = [ages[0].copy() for ages in before]
    seen = next(k for k, m in enumerate(machines) if np.isnan(StateColumns.of(m.states).part_km).any())
    states = [replace(s, machine_km=s.machine_km + 900.0, machine_days=s.machine_days + 60.0)
              for s in machines[seen].states]  # fmt: skip
    machines[seen] = replace(machines[seen], states=states)
    again = [group.drawn for group in fleet_of(TABLE, machines).groups if group.drawn]
    monkeypatch.setattr("analytics.fleet_parts._held", WeakKeyDictionary())
    anew = [group.drawn for group in fleet_of(TABLE, machines).groups if group.drawn]
    assert len(again) == len(anew) == 2
    for one, other in zip(again, anew, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)
    moved = np.concatenate([(new[0] != old).any(axis=0) for new, old in zip(again, as_drawn, strict=True)])
    assert 1 <= moved.sum() <= 2  # its own belt and pump, as far as their age is not known
    for old, kept in zip(before, as_drawn, strict=True):
        np.testing.assert_array_equal(old[0], kept)  # who still holds the fleet before sees nothing move
    same = [group.drawn for group in fleet_of(TABLE, machines).groups if group.drawn]
    assert all(one is other for one, other in zip(same, anew, strict=True))


def test_tables_add_up():
    found = outlook(FLEET, 365.25)
    assert found.failures.shape == (2, 12) and found.failures_by_machine.shape == (60, 12)
    assert found.failures.sum() == pytest.approx(found.failures_by_machine.sum())
    assert found.failures.sum(axis=1) == pytest.approx(found.drawn_failures.mean(axis=1), rel=2e-3)
    assert found.part_failures.sum() == pytest.approx(found.failures.sum())
    assert found.forecast("belt").expected == pytest.approx(found.failures[0].sum(), rel=0.02)
    assert (found.part_failures >= found.part_chance - 1e-6).all()
    assert len(parts_of(FLEET, 3)) == 2


def test_steps_do_not_matter():
    """Months read between a few days of the horizon, against the same horizon in one step."""
    fine, coarse = outlook(FLEET, 200.0, steps=12), outlook(FLEET, 200.0, steps=1)
    assert fine.failures.sum(axis=1) == pytest.approx(coarse.failures.sum(axis=1), rel=0.01)
    first_half = outlook(FLEET, 100.0, steps=6)
    assert fine.failures[:, :6].sum() == pytest.approx(first_half.failures.sum(), rel=0.01)


def courier(age_km: float = 0.0):
    days = 400.0
    return FleetMachine(CELL, 60.0, [PartState("belt", 24_000, days, age_km, age_km / 60.0)])


def test_later_failures_by_simulation():
    """Lines of parts under draws of the posterior: over two hard years a belt fails more than once."""
    horizon, n = 730.5, 40_000
    found = outlook(fleet_of(TABLE, [courier()]), horizon, steps=24)
    draws = TABLE.draw([courier().states[0]], CELL)
    rng = np.random.default_rng(3)
    pick = rng.choice(len(draws.weight[0]), size=n, p=draws.weight[0])
    w = draws.clock_weight[0, pick]
    per_day = (w * 60.0 * 365.25 / 5000 + 1 - w) / 10 / 365.25
    clock, count = np.zeros(n), np.zeros(n)
    while (clock < horizon).any():
        target = rng.exponential(size=n)
        clock += np.exp((np.log(target) - draws.log_theta[0, pick]) / draws.shape[0, pick]) / per_day
        count += clock <= horizon
    assert count.mean() > 1.1
    # the doubt about very young parts is left out of the simulation
    assert found.failures.sum() == pytest.approx(count.mean(), rel=0.03)
    seen = np.bincount(count.astype(int), minlength=4)[:4].cumsum() / n
    assert found.forecast("belt").cumulative[:4] == pytest.approx(seen, abs=0.04)


def test_planned_renewals_take_the_place_of_failures():
    fleet = fleet_of(TABLE, [courier(9000.0)] * 30)
    free, planned = outlook(fleet, 365.25), outlook(fleet, 365.25, intervals={"belt": Interval(km=12_000)})
    assert planned.failures.sum() < 0.6 * free.failures.sum()
    # 3,000 km to go at 60 a day: most come due in the second month, and again 200 days later
    assert planned.planned[0, 1] > 0.7 * 30 and planned.planned[0, 8] > 0.4 * 30
    assert free.planned.sum() == 0
    unknown = FleetMachine(CELL, 60.0, [PartState("belt", 24_000, 400.0, watched_km=20_000, watched_days=333.0)])
    due = outlook(fleet_of(TABLE, [unknown] * 5), 365.25, intervals={"belt": Interval(days=150)})
    assert 5 < due.planned.sum() < 15
    choices = change_of_interval(
        fleet, 365.25, "belt", [Interval(km=12_000), None, Interval(km=20_000)], RenewalCosts(100, 500)
    )
    assert choices[0][1] < choices[2][1] < choices[1][1] and choices[0][2] > choices[2][2]
    assert choices[0][3] == pytest.approx(500 * choices[0][1] + 100 * choices[0][2])


@pytest.mark.parametrize("days", [7.0, 20.0, 45.0])
def test_an_interval_short_of_a_month_is_renewed_as_often_as_that(days):
    """Also where priors alone speak, of lives of any length: planned renewals are one in each interval at most."""
    bare = FleetMachine(CELL, 60.0, [PartState("pump", 9000, 150.0)])
    belts = fleet_of(TABLE, [courier(9000.0)] * 30)
    pumps = fleet_of(RiskTable.from_fits([fit_component(NOTHING, PRIOR, component="pump", seed=3)]), [bare] * 30)
    for fleet in (belts, pumps):
        name = fleet.components[0]
        found = outlook(fleet, 365.25, intervals={name: Interval(days=days)})
        assert found.planned.sum() <= 30 * (365.25 / days + 1)
        assert max(len(f.cumulative) for f in found.forecasts) <= 30 * 60 + 1
    renewed = outlook(belts, 365.25, intervals={"belt": Interval(days=days)})
    assert renewed.planned.sum() == pytest.approx(30 * 365.25 / days, rel=0.04)
    assert renewed.failures.sum() < 0.1 * outlook(belts, 365.25).failures.sum()


def test_money_and_days_off_the_road():
    costs = {"belt": RenewalCosts(100, 300, 0.5, 2.0, 50), "pump": RenewalCosts(80, 80)}
    found = outlook(FLEET, 365.25)
    money = found.money(costs)
    belts, pumps = found.failures.sum(axis=1)
    assert money.cost.value == pytest.approx(400 * belts + 80 * pumps, rel=0.01)
    assert money.downtime_days.value == pytest.approx(2 * belts, rel=0.01)
    assert money.cost.low < money.cost.value < money.cost.high
    assert money.cost_by_step.sum() == pytest.approx(money.cost.value, rel=0.01)
    assert found.money({}).cost.high == 0


def test_refusals_name_the_field():
    with pytest.raises(InvalidObservations, match="horizon_days"):
        outlook(FLEET, 0)
    with pytest.raises(InvalidObservations, match="steps"):
        outlook(FLEET, 10, steps=0)
    with pytest.raises(InvalidObservations, match="intervals"):
        outlook(FLEET, 10, intervals={"tyre": Interval(km=5)})
    with pytest.raises(InvalidObservations, match="interval"):
        Interval()
    with pytest.raises(InvalidObservations, match="component"):
        outlook(FLEET, 10).forecast("tyre")
    with pytest.raises(UnknownComponent):
        fleet_of(TABLE, [FleetMachine(CELL, 1.0, [PartState("tyre", 1, 1, 1, 1)])])
    with pytest.raises(InvalidObservations, match="km_per_day"):
        FleetMachine(CELL, -1.0, [])
