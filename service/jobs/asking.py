"""Ask for work, and find it again."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Select, func, or_, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.errors import NotFound, TooManyWaiting
from service.models import Job, StaleComponent

RETRY_SECONDS = 30
EVERYTHING = "*"


def fit_lock(scope: int | None, component: str | None) -> str:
    """What a fit holds: one component of one set of shops, or all of them."""
    return f"fit:{'pool' if scope is None else scope}:{component or EVERYTHING}"


def ask(
    session: Session,
    kind: str,
    lock: str,
    params: Mapping[str, Any],
    *,
    shop_id: int | None,
    now: datetime,
    most_waiting: int,
    not_before: datetime | None = None,
) -> Job:
    """The job for this work: the one that is waiting already, or a new one.

    Raises
    ------
    TooManyWaiting
        The shop has as many jobs waiting as it may.
    """
    same_as = hashlib.sha256(json.dumps([kind, lock, shop_id, params], sort_keys=True, default=str).encode()).digest()
    waiting = select(Job).where(Job.same_as == same_as, Job.state == "queued")
    found = session.scalar(waiting)
    if found is not None:
        return found
    held = select(func.count(Job.id)).where(Job.state == "queued", Job.shop_id == shop_id)
    if shop_id is not None and (session.scalar(held) or 0) >= most_waiting:
        raise TooManyWaiting(
            f"{most_waiting} jobs are waiting already (WEAKSPOT_JOBS_WAITING); ask again when one is done",
            retry_after=RETRY_SECONDS,
        )
    job = Job(
        shop_id=shop_id,
        kind=kind,
        lock=lock,
        same_as=same_as,
        params=dict(params),
        state="queued",
        attempt=0,
        steps_done=0,
        steps_total=0,
        asked_at=now,
        not_before=not_before or now,
    )
    try:
        with session.begin_nested():
            session.add(job)
    except IntegrityError:  # somebody asked for the same in this very moment
        return session.scalars(waiting).one()
    return job


def ask_for_stale_fits(session: Session, *, pool: bool, after_seconds: int, now: datetime) -> list[Job]:
    """Ask for fits of what new lines made stale, once no line has come for a while."""
    quiet_since = now - timedelta(seconds=after_seconds)
    rows = session.execute(
        select(StaleComponent.shop_id, func.max(StaleComponent.since)).group_by(StaleComponent.shop_id)
    ).all()
    if not rows or (pool and max(newest for _, newest in rows) > quiet_since):
        return []
    scopes = [None] if pool else [shop for shop, newest in rows if newest <= quiet_since]
    return [
        ask(session, "fit", fit_lock(scope, None), {"scope": scope}, shop_id=None, now=now, most_waiting=1)
        for scope in scopes
    ]


def jobs_of(shop_id: int) -> Select[Any]:
    """A shop's jobs, and those that concern everybody."""
    return select(Job).where(or_(Job.shop_id == shop_id, Job.shop_id.is_(None)))


def job_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Job:
    """One job; another shop's does not exist for it."""
    job = session.scalar(jobs_of(shop_id).where(Job.public_id == public_id))
    if job is None:
        raise NotFound("there is no such job")
    return job
