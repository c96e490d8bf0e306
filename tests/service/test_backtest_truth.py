"""A backtest of a world of known truth: are the right parts watched for the right time, and is a right model found so?

The windows are worked here anew from the world itself: straight lines of use, true starts, true chances.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import select

from analytics.backtest import judge
from analytics.backtest_types import Forecasts
from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.spells import DAYS_PER_YEAR, Removal
from service.backtests import BacktestReport
from service.db import Database
from service.models import Machine
from tests.service.backtest_world import AS_OF, backtest, imported_world
from tests.worlds.job_lines import built
from tests.worlds.simulate import TrueLife, World

DAY = 0.01  # years; dates in files are whole days


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[World, Database, BacktestReport]]:
    world, database = imported_world(tmp_path_factory.mktemp("world"))
    yield world, database, backtest(database)
    database.dispose()


@pytest.fixture(scope="module")
def report(known: tuple[World, Database, BacktestReport]) -> BacktestReport:
    return known[2]


def true_chances(world: World) -> dict[tuple[str, int], float]:
    """Chance, with this rider and shop, that the part of known start on at the landmark fails while watched."""
    fleet = world.fleet
    new = np.array([built(world, m).toordinal() for m in range(len(fleet.model))])
    landmark = np.maximum((AS_OF.toordinal() - new) / DAYS_PER_YEAR, fleet.entry_years)
    end = np.minimum(landmark + np.minimum(1.0, 5000.0 / fleet.km_per_year), fleet.exit_years)
    found = {}
    for truth, spells in zip(world.truths, world.spells, strict=True):
        m, exit_ = spells.machine, spells.exit_days / DAYS_PER_YEAR
        on = (spells.entry_days / DAYS_PER_YEAR <= landmark[m] + DAY) & (exit_ > landmark[m] + DAY)
        until = np.where(spells.removal == Removal.SCHEDULED, np.minimum(exit_, end[m]), end[m])
        chance = one_chance(truth, world, spells.start_days / DAYS_PER_YEAR, m, landmark[m], until)
        for k in np.flatnonzero(on & spells.known_start):
            found[truth.name, int(m[k])] = float(chance[k])
    return found


def one_chance(
    truth: TrueLife, world: World, start: np.ndarray, m: np.ndarray, since: np.ndarray, until: np.ndarray
) -> np.ndarray:
    fleet, w = world.fleet, truth.clock_weight
    rate = w * fleet.km_per_year[m] / REFERENCE_KM_PER_YEAR + 1 - w
    frailty = np.exp(truth.shop[fleet.shop[m]] + world.settings.rider_frailty * fleet.rider[m])
    gained = truth.cumulative_hazard(fleet.model[m], (until - start) * rate)
    gained = gained - truth.cumulative_hazard(fleet.model[m], (since - start) * rate)
    return -np.expm1(-frailty * gained)


def test_what_followed_agrees_with_the_true_chances(known: tuple[World, Database, BacktestReport]) -> None:
    world, database, report = known
    with database.read() as session:
        names = list(session.scalars(select(Machine.reference).order_by(Machine.id)))
    judged, truth = report.judged, true_chances(world)
    keys = [(judged.components[c], int(names[m][1:])) for c, m in zip(judged.component, judged.machine, strict=True)]
    mine = np.array([key in truth for key in keys])
    observed = float((judged.weight * judged.failed)[mine].sum())
    chances = np.array(list(truth.values()))
    spread = np.sqrt((chances * (1 - chances)).sum())
    assert abs(observed - chances.sum()) < 3 * spread
    assert len({key for key, yes in zip(keys, mine, strict=True) if yes}) == pytest.approx(len(truth), rel=0.02)
    assert len(truth) > 1000 and spread < 0.12 * chances.sum()  # the comparison can fail


def test_a_model_of_the_right_family_is_found_right(report: BacktestReport) -> None:
    """At 99 %: a fit on some 250 failures is an estimate itself, and drawing 12 shops gives narrow intervals."""
    result = judge(report.judged, level=0.99)
    assert result.slope.low <= 1 <= result.slope.high and result.slope.value == pytest.approx(1, abs=0.2)
    # standard deviations of .06 (250 failures fitted) and .08 (150 followed): .3 is three of them together
    assert result.observed_expected.value == pytest.approx(1, abs=0.3)
    assert result.log_score.gain_over_pooled.low > 0 and result.log_score.gain_over_prior.low > 0
    assert result.top.by_chance < result.top.by_prior <= result.top.hindsight
    assert result.top.by_chance < result.top.found <= result.top.hindsight


def test_the_same_model_with_its_chances_doubled_is_caught(report: BacktestReport) -> None:
    given = report.judged.model
    doubled = Forecasts(np.minimum(2 * given.horizon, 0.999), np.minimum(2 * given.watched, 0.999))
    result = judge(replace(report.judged, model=doubled), level=0.99)
    assert result.observed_expected.high < 0.95 and result.at_horizon.high < 0.95
    assert result.log_score.model > report.result.log_score.model
