"""Chances kept in memory: nothing is worked twice for the same question, and any other question is worked."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from sqlalchemy import select

from analytics.life_model_types import Horizon
from analytics.risk import assess, assess_over
from analytics.spells import DAYS_PER_YEAR
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections import kept_chances
from service.inspections.ranking import Ranking, rank_recorded
from service.inspections.serving import snapshot_for
from service.models import Machine
from tests.service.databases import NOW
from tests.service.test_fitting import HEADER, SHOP, cards

TODAY = NOW.date()
SEASON = Horizon(days=DAYS_PER_YEAR)
FITTED = HEADER + "new,2020-01-07,M3,,,,43000,km,stator,renewed,failed\n"


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was worked and not taken from memory: one entry each time."""
    calls: list[Any] = []

    def count(*asked: Any, **more: Any) -> Any:
        calls.append(asked)
        return assess_over(*asked, **more)

    monkeypatch.setattr(kept_chances, "assess_over", count)
    return calls


def ranked(database: Database, *, on: date = TODAY, level: float = 0.9, horizon: Horizon = SEASON) -> Ranking:
    with database.read() as session:
        machine = session.scalars(select(Machine).where(Machine.reference == "M3")).one()
        ranking, _ = rank_recorded(
            session, 1, machine.public_id, as_of=on, horizon=horizon, level=level, pool_open=True
        )
    return ranking


def add(database: Database, lines: str) -> None:
    take_in(database, SHOP, lines.encode(), file_name="lines.csv", now=NOW, today=TODAY)


def test_lines_fits_and_questions_each_have_chances_of_their_own(database: Database, worked: list[Any]) -> None:
    add(database, cards(6))
    refit(database, pool_open=True, now=NOW)
    first = ranked(database)
    assert ranked(database).parts == first.parts
    assert len(worked) == 1

    add(database, FITTED)
    with_line = ranked(database)
    assert chance_of(with_line, "stator") < chance_of(first, "stator")
    refit(database, pool_open=True, now=NOW)
    with_fit = ranked(database)
    assert with_fit.version != with_line.version
    assert chance_of(with_fit, "stator") != chance_of(with_line, "stator")
    assert len(worked) == 3

    ranked(database, on=date(NOW.year + 1, NOW.month, NOW.day))
    ranked(database, level=0.8)
    ranked(database, horizon=Horizon(days=2 * DAYS_PER_YEAR))
    assert len(worked) == 6


def chance_of(ranking: Ranking, component: str) -> float:
    (part,) = (p for p in ranking.parts if p.component == component)
    return part.chance_in_horizon.value


def test_several_horizons_are_answered_as_each_alone(database: Database) -> None:
    add(database, cards(6) + FITTED.removeprefix(HEADER))
    refit(database, pool_open=True, now=NOW)
    ranking = ranked(database)
    with database.read() as session:
        snapshot = snapshot_for(session, 1, pool_open=True)
    asked = snapshot.risks, [part.state for part in ranking.parts], ranking.machine.cell
    horizons, rate = [SEASON, Horizon(500.0, None), Horizon(None, 4 * DAYS_PER_YEAR)], 11.0
    together = assess_over(*asked, horizons, rate, warning=snapshot.warnings)
    assert together == [assess(*asked, horizon, rate, warning=snapshot.warnings) for horizon in horizons]
