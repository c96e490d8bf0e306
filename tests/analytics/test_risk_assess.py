"""Chances of the parts of one machine: horizon, warning interval, intervals, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import InvalidObservations, UnknownComponent
from analytics.life_model_types import Horizon, LifePrior, PartState, WarningInterval
from analytics.pooling import fit_component
from analytics.risk import RiskTable, assess
from analytics.spells import Cell
from tests.analytics.pooling_cases import make_spells, no_spells, weibull_spells

CELL = Cell("make", "family", "model")
RATE = 5000 / 365.25
YEAR = Horizon(5000.0, 365.25)


@pytest.fixture(scope="module")
def table() -> RiskTable:
    spells = weibull_spells(np.random.default_rng(3), 500, 2.5, 8.0)
    known = fit_component(spells, LifePrior(2.0, scale_years=9.0), component="known")
    prior = fit_component(no_spells(), LifePrior(2.0, scale_years=9.0), component="prior")
    return RiskTable.from_fits([known, prior])


def part(
    component: str = "known", km: float | None = 20_000.0, days: float | None = 1461.0, **more: object
) -> PartState:
    return PartState(component, 40_000.0, 2922.0, km, days, **more)


def test_the_interval_holds_the_value_and_widens_with_the_level(table: RiskTable) -> None:
    for state in (part(), part("prior"), part(km=None, days=None)):
        narrow = assess(table, [state], CELL, YEAR, RATE, level=0.8)[0].chance_in_horizon
        wide = assess(table, [state], CELL, YEAR, RATE, level=0.95)[0].chance_in_horizon
        assert 0 < wide.low < narrow.low < narrow.value < narrow.high < wide.high < 1
        assert narrow.value == wide.value


def test_whichever_comes_first(table: RiskTable) -> None:
    def value(horizon: Horizon, rate: float = RATE) -> float:
        return assess(table, [part()], CELL, horizon, rate)[0].chance_in_horizon.value

    both = value(Horizon(5000.0, 365.25))
    assert value(Horizon(2500.0, 365.25)) < both
    assert value(Horizon(2500.0, 365.25)) == pytest.approx(value(Horizon(None, 365.25 / 2)))
    assert value(Horizon(5000.0, None)) == pytest.approx(both)
    assert value(Horizon(0.0, None)) == 0.0
    with pytest.raises(InvalidObservations, match="days"):
        value(Horizon(5000.0, None), rate=0.0)


def test_bad_now_is_the_chance_inside_the_warning_interval(table: RiskTable) -> None:
    def bad(warning: WarningInterval, **more: object) -> float:
        return assess(table, [part(**more)], CELL, YEAR, RATE, warning={"known": warning})[0].chance_bad_now.value

    season = assess(table, [part()], CELL, YEAR, RATE)[0]
    assert season.chance_bad_now.value == 0.0  # nothing to find where it fails without a sign
    assert bad(WarningInterval("window", 5000.0)) == pytest.approx(season.chance_in_horizon.value)
    assert bad(WarningInterval("window", 5000.0, 6.0)) == pytest.approx(bad(WarningInterval("window", None, 6.0)))
    assert bad(WarningInterval("window", 500.0)) < bad(WarningInterval("window", 1500.0))
    recent = bad(WarningInterval("hidden"), last_good_km=38_000.0, last_good_days=2776.0)
    long_ago = bad(WarningInterval("hidden"), last_good_km=30_000.0, last_good_days=2191.0)
    assert 0 < recent < long_ago


def test_all_parts_together_are_the_same_as_one_by_one(table: RiskTable) -> None:
    states = [part(), part("prior"), part(km=None, days=None), part("prior", None, None, not_original=True)]
    together = assess(table, states, CELL, YEAR, RATE)
    for state, chance in zip(states, together, strict=True):
        assert assess(table, [state], CELL, YEAR, RATE)[0] == chance
    assert assess(table, [], CELL, YEAR, RATE) == []


def test_positions_build_strata_and_pattern_parts_have_their_own_chance() -> None:
    rng = np.random.default_rng(9)
    parts = [
        weibull_spells(rng, 400, 2.5, 3.5, stratum=0, position=0, positions=("front", "rear")),
        weibull_spells(rng, 400, 2.5, 12.0, stratum=1, position=1, positions=("front", "rear")),
        weibull_spells(rng, 400, 2.5, 6.0, stratum=1, position=1, quality=2, positions=("front", "rear")),
    ]
    columns = {f: np.concatenate([getattr(p, f) for p in parts]) for f in parts[0].__dict__ if f not in NAMES}
    merged = type(parts[0])(**columns, **{f: getattr(parts[0], f) for f in NAMES})
    table = RiskTable.from_fits([fit_component(merged, LifePrior(2.0, scale_years=7.0), component="known")])

    def value(**more: object) -> float:
        return assess(table, [part(**more)], CELL, YEAR, RATE)[0].chance_in_horizon.value

    early, late = value(stratum=0, position="front"), value(stratum=1, position="rear")
    assert early > 4 * late
    assert late < value(stratum=1, position="rear", quality=2) < early
    assert late < value(stratum=-1, position="rear") < early


NAMES = ("cells", "positions", "shops")


@pytest.mark.parametrize(
    "field, state",
    [
        ("machine_km", {"machine_km": -1.0}),
        ("machine_days", {"machine_days": float("nan")}),
        ("part_km", {"part_km": 50_000.0}),
        ("part_days", {"part_days": None}),
        ("watched_km", {"watched_km": 90_000.0, "watched_days": 10.0}),
        ("last_good_km", {"last_good_km": 10.0}),
    ],
)
def test_a_state_that_cannot_be_is_refused_by_name(field: str, state: dict[str, float]) -> None:
    plain = {"machine_km": 40_000.0, "machine_days": 2922.0, "part_km": 20_000.0, "part_days": 1461.0}
    with pytest.raises(InvalidObservations, match=field):
        PartState("known", **(plain | state))


def test_other_refusals(table: RiskTable) -> None:
    with pytest.raises(UnknownComponent, match="no such"):
        assess(table, [part("no such")], CELL, YEAR, RATE)
    with pytest.raises(InvalidObservations, match="level"):
        assess(table, [part()], CELL, YEAR, RATE, level=1.0)
    with pytest.raises(InvalidObservations, match="rate_km_per_day"):
        assess(table, [part()], CELL, YEAR, -3.0)
    with pytest.raises(InvalidObservations, match="horizon"):
        Horizon(None, None)
    with pytest.raises(InvalidObservations, match="months"):
        WarningInterval("window", None, None)


def test_spells_in_km_or_in_miles_give_the_same_chance() -> None:
    """Distance in other units, with prior, ages and horizon in them too; only distance wears this part."""
    found = []
    for unit in (1.0, 0.621371):
        # a clock weight other than 1 would see the unit against calendar time, so the clock is left no doubt by data
        rng = np.random.default_rng(6)
        days = 365.25 * rng.uniform(1.0, 8.0, 900)
        rate = rng.lognormal(np.log(14.0), 0.8, 900) * unit
        life = 40_000 * unit * rng.weibull(2.5, 900) / rate
        spells = make_spells(0.0, np.minimum(days, life), (life <= days).astype(int))
        spells.exit_km[:] = spells.exit_days * rate
        fit = fit_component(spells, LifePrior(2.5, scale_km=35_000 * unit), component="known")
        state = PartState("known", 50_000.0 * unit, 3000.0, 20_000.0 * unit, 1000.0)
        chance = assess([fit], [state], CELL, Horizon(4000.0 * unit, None), 14.0 * unit)[0].chance_in_horizon
        found.append([chance.value, chance.low, chance.high])
    np.testing.assert_allclose(found[0], found[1], rtol=0.02)
