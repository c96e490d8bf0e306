"""What each kind of job does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from service.db import Database
from service.settings import Settings

Progress = Callable[[int, int, str], None]
Work = Callable[[Database, Settings, Mapping[str, Any], datetime, Progress], dict[str, Any]]


def fit(
    database: Database, settings: Settings, params: Mapping[str, Any], now: datetime, progress: Progress
) -> dict[str, Any]:
    """Fit one component, or all that are out of date, of one set of shops."""
    from service.fitting import refit

    component = params.get("component")
    (report,) = refit(
        database,
        pool_open=settings.pool_open,
        now=now,
        progress=progress,
        only_scope=(params["scope"],),
        only=None if component is None else {component},
        pseudonym_key=settings.pool_pseudonym_key,
    )
    return {"release": report.release, "fitted": report.fitted, "reused": report.reused}


def backtest(
    database: Database, settings: Settings, params: Mapping[str, Any], now: datetime, progress: Progress
) -> dict[str, Any]:
    """Try the predictions of a past day against what followed."""
    from service.backtests import run_backtest, season
    from service.pool.backtest_view import without_names
    from service.pool.members import member_ids

    known_at = params.get("known_at")
    scope = params["scope"]
    with database.read() as session:
        report = run_backtest(
            session,
            as_of=date.fromisoformat(params["as_of"]),
            now=now,
            horizon=season(params.get("distance_km"), params.get("months")),
            known_at=None if known_at is None else datetime.fromisoformat(known_at),
            shop_ids=member_ids(session, now.date()) if scope is None else [scope],
            level=params["level"],
            progress=progress,
        )
    return report.to_dict() if scope is not None else without_names(report.to_dict())


def import_file(
    database: Database, settings: Settings, params: Mapping[str, Any], now: datetime, progress: Progress
) -> dict[str, Any]:
    """Take in a file that was kept for it; what was wrong with one that cannot be used is a result like another."""
    from service.imports.jobs import outcome_of, run_import

    run_import(database, params["import_job"], now=now, progress=lambda done, total: progress(done, total, ""))
    return outcome_of(database, params["import_job"])


def publish_pool(
    database: Database, settings: Settings, params: Mapping[str, Any], now: datetime, progress: Progress
) -> dict[str, Any]:
    """Publish the pool's counts of the date in force, unless that has been done."""
    from service.people.access_log import Actor
    from service.pool.publishing import publish

    return publish(
        database,
        now=now,
        pool_open=settings.pool_open,
        asker=Actor(None, params["by"]),
        pseudonym_key=settings.pool_pseudonym_key,
    )


WORK: dict[str, Work] = {"fit": fit, "backtest": backtest, "import": import_file, "publish": publish_pool}
