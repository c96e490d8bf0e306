"""Is the server up, can it work, and how is it doing: for supervisors, proxies and Prometheus."""

from __future__ import annotations

import secrets
from typing import Any

from flask import Blueprint, Response, request
from sqlalchemy import func, select
from werkzeug.exceptions import NotFound, Unauthorized

from service.api.context import app
from service.models import Job
from service.readiness import readiness

blueprint = Blueprint("health", __name__)


@blueprint.get("/health")
def health() -> dict[str, str]:
    """Answer that the process is up; needs no token and touches no database."""
    return {"status": "up"}


@blueprint.get("/ready")
def ready() -> tuple[dict[str, Any], int]:
    """Answer 200 if requests can be served, else 503 with what is wrong."""
    found = readiness(app().database, app().settings.photos)
    return {"ready": found.ready, "checks": found.checks}, 200 if found.ready else 503


@blueprint.get("/metrics")
def metrics() -> Response:
    """Give Prometheus its counts, where a token for it is set."""
    wanted = app().settings.metrics_token
    if not wanted:
        raise NotFound("Metrics are off; WEAKSPOT_METRICS_TOKEN turns them on.")
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not secrets.compare_digest(given.strip().encode(), wanted.encode()):
        raise Unauthorized("Send the header Authorization: Bearer with the token for metrics.")
    from service.metrics import exposition  # loaded only where it is on

    with app().database.read() as session:
        jobs = {state: count for state, count in session.execute(select(Job.state, func.count()).group_by(Job.state))}
    text, media_type = exposition(jobs)
    return Response(text, content_type=media_type)
