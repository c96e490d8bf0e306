"""Ask for a backtest, and find what came of those asked for before."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.jobs.asking import ask, job_of, jobs_of
from service.models import Job
from service.settings import Settings
from service.vocabulary import KM_PER_MILE

KIND = "backtest"


def ask_backtest(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, now: datetime, today: date, settings: Settings
) -> Job:
    """The job for a backtest (checked by `BacktestAsked`); does not commit.

    Raises
    ------
    InvalidInput
        The day is not past.
    TooManyWaiting
        The shop has as many jobs waiting as it may.
    """
    if asked["as_of"] >= today:
        raise InvalidInput("choose a past day: only what followed it can be compared", pointer="/as_of")
    horizon = asked["horizon"] or {}
    distance = horizon.get("distance")
    params = {
        "as_of": asked["as_of"].isoformat(),
        "known_at": None if asked["known_at"] is None else asked["known_at"].isoformat(),
        "distance_km": None if distance is None else distance["value"] * _km_per(distance["unit"]),
        "months": horizon.get("months"),
        "level": asked["level"],
    }
    # A pool that its members did not open answers no windows of one's own choice: they can be subtracted.
    pooled = settings.pool_open and pool_is_open(session, pool_open=True)
    scope = None if pooled else shop_id
    lock = f"{KIND}:{'pool' if scope is None else scope}"
    return ask(
        session, KIND, lock, {"scope": scope, **params}, shop_id=shop_id, now=now, most_waiting=settings.jobs_waiting
    )


def _km_per(unit: str) -> float:
    return KM_PER_MILE if unit == "mi" else 1.0


def backtests_of(session: Session, shop_id: int, *, limit: int = 20) -> Sequence[Job]:
    """The shop's backtests, the newest first."""
    statement = jobs_of(shop_id).where(Job.kind == KIND).order_by(Job.id.desc()).limit(limit)
    return session.scalars(statement).all()


def latest_backtest(session: Session, shop_id: int) -> Job | None:
    """The newest backtest that came to an end with a result."""
    done = jobs_of(shop_id).where(Job.kind == KIND, Job.state == "done", Job.result.is_not(None))
    return session.scalar(done.order_by(Job.id.desc()).limit(1))


def backtest_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Job:
    """One backtest.

    Raises
    ------
    NotFound
        The shop has no such backtest.
    """
    job = job_of(session, shop_id, public_id)
    if job.kind != KIND:
        raise NotFound("there is no such backtest")
    return job
