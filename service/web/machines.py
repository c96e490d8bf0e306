"""Pages: machines on record, and everything known of one: timeline, clocks, parts now fitted, the coming season."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from flask import Blueprint, redirect, render_template, request, url_for
from sqlalchemy.orm import Session

from service.errors import DomainError
from service.inspections.rank_with_evidence import ranking_reply
from service.inspections.ranking import Ranking, horizon_of, rank_recorded
from service.inspections.visits import start as start_visit
from service.machine_story import machine_story
from service.models import Machine
from service.past import read_as_known_at
from service.queries import last_distances, machines_of, page_of
from service.schemas.inspection import InspectionAsked
from service.schemas.records import PageQuery
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import shown
from service.web.machine_forms import INSPECTION_FIELDS, AsKnownForm, FindForm, StartForm
from service.web.once import done_once, new_key

blueprint = Blueprint("machines", __name__, url_prefix="/machines")
A_PAGE = 50
LEVEL = 0.9
FIRST_RISKS = 8
FIRST_VISITS = 25
PICTURE_WIDTH, PICTURE_HEIGHT = 600.0, 160.0


@blueprint.get("")
def index() -> Any:
    """List the shop's machines, or those that a text names."""
    form = FindForm(request.args, meta={"csrf": False})
    form.validate()
    edges = {name: request.args[name] for name in ("after", "before") if request.args.get(name)}
    asked = load_asked(PageQuery(), edges, form, {}) or PageQuery().load({})
    with app().database.read() as session:
        wanted = machines_of(current.shop_id, named=(form.named.data or "")[:80].strip() or None)
        part = page_of(session, wanted, Machine, {**asked, "limit": A_PAGE})
        any_at_all = bool(part.rows) or session.scalar(machines_of(current.shop_id).limit(1)) is not None
        last = last_distances(session, [row.id for row in part.rows])
    return render_template("machines/index.html", form=form, part=part, last=last, any_at_all=any_at_all)


@blueprint.get("/<uuid:machine_id>")
def one(machine_id: uuid.UUID) -> Any:
    """Show everything known of a machine, now or as of a past day."""
    return _page(machine_id, StartForm())


def _page(machine_id: uuid.UUID, start: StartForm) -> Any:
    as_known = AsKnownForm(request.args, meta={"csrf": False})
    known_at = as_known.moment(app().now())
    day = app().today() if known_at is None else known_at.date()
    with app().database.read() as session:
        read_as_known_at(session, known_at, now=app().now())
        story = machine_story(session, current.shop_id, machine_id)
        ahead, refused = _ahead(session, machine_id, day)
    return shown(
        "machines/one.html",
        as_known if as_known.refused else start,
        story=story,
        ahead=ahead,
        refused=refused,
        as_known=as_known,
        start=start,
        known_at=known_at,
        picture=_picture(story["points"], story["segments"]),
        most=None if request.args.get("all") else FIRST_VISITS,
        first=FIRST_RISKS,
        once_key=new_key(),
    )


def _ahead(session: Session, machine_id: uuid.UUID, day: date) -> tuple[dict[str, Any] | None, str]:
    """What is likely to fail in the coming season, and what is fitted; or why that cannot be said."""
    try:
        ranking, snapshot = rank_recorded(
            session,
            current.shop_id,
            machine_id,
            as_of=day,
            horizon=horizon_of(None, None),
            level=LEVEL,
            pool_open=app().settings.pool_open,
        )
    except DomainError as error:
        return None, error.detail
    return {"reply": ranking_reply(ranking, snapshot, {}), "parts": _parts(ranking), "ranking": ranking}, ""


def _parts(ranking: Ranking) -> list[dict[str, Any]]:
    """Parts now fitted, each with its age on both clocks, or with what bounds it."""
    rows = []
    for part in ranking.parts:
        state = part.state
        known = state.part_km is not None and state.part_days is not None
        rows.append(
            {
                "part": part,
                "known": known,
                "least_km": _least(state.machine_km, state.watched_km),
                "least_years": _least(state.machine_days, state.watched_days) / 365.25,
                "years": None if state.part_days is None else state.part_days / 365.25,
            }
        )
    return sorted(rows, key=lambda row: (row["part"].name, row["part"].position or ""))


def _least(now: float, watched_from: float | None) -> float:
    """What a part has run since the last moment it can have been fitted."""
    return 0.0 if watched_from is None else max(now - watched_from, 0.0)


def _picture(points: Sequence[tuple[float, float]], segments: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Distance by day as places in a drawing; None where two readings are not on record."""
    if len(points) < 2 or points[-1][0] <= points[0][0] or points[-1][1] <= 0:
        return None
    first, last, most = points[0][0], points[-1][0], max(km for _, km in points)

    def across(day: float) -> float:
        return (day - first) / (last - first) * PICTURE_WIDTH

    changes = [s["started_on"].toordinal() for s in segments if s["started_on"] is not None]
    return {
        "line": " ".join(f"{across(day):.1f},{PICTURE_HEIGHT * (1 - km / most):.1f}" for day, km in points),
        "dots": [(f"{across(day):.1f}", f"{PICTURE_HEIGHT * (1 - km / most):.1f}") for day, km in points],
        "changes": [f"{across(day):.1f}" for day in changes if first <= day <= last],
        "first": date.fromordinal(int(first)),
        "last": date.fromordinal(int(last)),
        "most_km": most,
    }


@blueprint.post("/<uuid:machine_id>/inspections")
@done_once
def inspect(machine_id: uuid.UUID) -> Any:
    """Start an inspection of a machine on record."""
    form, now = StartForm(), app().now()
    if not form.validate():
        return _page(machine_id, form)
    asked = load_asked(InspectionAsked(), _request(form, machine_id), form, INSPECTION_FIELDS)
    if asked is None:
        return _page(machine_id, form)
    try:
        return redirect(_started(asked, now), 303)
    except DomainError as error:
        refuse_at(form, error, INSPECTION_FIELDS)
        return _page(machine_id, form)


def _request(form: StartForm, machine_id: uuid.UUID) -> dict[str, Any]:
    minutes = form.minutes.data
    return {
        "machine_id": str(machine_id),
        "minutes": 30.0 if minutes is None else float(minutes),
        "kit": form.kit.data or "pocket",
        "permission": form.permission.data or "look_only",
        "people": [current.login],
    }


def _started(asked: Mapping[str, Any], now: datetime) -> str:
    with app().database.write() as session:
        row = start_visit(session, current.shop_id, asked, now=now, today=app().today(), settings=app().settings)
        return url_for("web.inspections.one", inspection_id=row.public_id)
