"""Pages: what will fail in the fleet, what to bring in, what is due, what to hold, when to renew."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from flask import Blueprint, Response, request
from marshmallow import Schema
from sqlalchemy.orm import Session

from service.ages import span_of
from service.due_files import as_calendar, as_csv
from service.due_work import due_work
from service.errors import DomainError, InvalidInput
from service.intervals import priced_outlook
from service.outlooks import spares_to_hold
from service.pull_lists import week_list
from service.queries import machines_of
from service.renewal_advice import renewal_advice
from service.schemas.ahead import DueWorkQuery, OutlookQuery, PullListQuery, RenewalQuery, SparesQuery
from service.web.ahead_forms import (
    AskForm,
    DueForm,
    OutlookForm,
    PartForm,
    PullForm,
    RenewalForm,
    SparesForm,
    fields_of,
)
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import shown

blueprint = Blueprint("ahead", __name__, url_prefix="/ahead")
MOST_ROWS = 60


class Part(NamedTuple):
    """Some rows of a long list: where they stand in it, and what the addresses of its other parts say."""

    rows: Sequence[Any]
    first: int
    all: int
    before: dict[str, Any] | None
    after: dict[str, Any] | None


def _part(rows: Sequence[Any], form: AskForm) -> Part:
    """The page of a list that the address asks for; the last where it asks for more than there are."""
    last = max(1, -(-len(rows) // MOST_ROWS))
    page = min(max(request.args.get("page", 1, type=int), 1), last)
    asked = {name: request.args.getlist(name) for name in request.args if name in form}
    before, after = ({**asked, "page": n} if 1 <= n <= last else None for n in (page - 1, page + 1))
    begin = (page - 1) * MOST_ROWS
    return Part(rows[begin : begin + MOST_ROWS], begin + 1, len(rows), before, after)


def _answer(
    form: AskForm, schema: Schema, work: Callable[[Session, dict[str, Any]], dict[str, Any]]
) -> dict[str, Any] | None:
    """The answer to what the address asks; None where it was refused, with the reason in the form."""
    if request.args and not form.validate():
        return None
    body = {name: value for name, value in form.body().items() if name in schema.load_fields}
    asked = load_asked(schema, body, form, fields_of(form))
    if asked is None:
        return None
    asked.pop("known_at", None)  # these pages ask as of now
    try:
        with app().database.read() as session:
            if form.about_fleet and not _has_machines(session):
                return None
            return work(session, {**asked, "as_of": app().today()} if "as_of" in asked else asked)
    except DomainError as error:
        refuse_at(form, error, fields_of(form))
    return None


def _has_machines(session: Session) -> bool:
    return session.scalar(machines_of(current.shop_id).limit(1)) is not None


def _page(template: str, form: AskForm, found: dict[str, Any] | None, **more: Any) -> Any:
    nothing = False
    if found is None and form.about_fleet and not form.refused:
        with app().database.read() as session:
            nothing = not _has_machines(session)
    return shown(template, form, found=found, nothing=nothing, **more)


@blueprint.get("")
def index() -> Any:
    """Expect failures over the coming months, by component and machine."""
    form = OutlookForm.from_address()

    def work(session: Session, asked: dict[str, Any]) -> dict[str, Any]:
        return priced_outlook(session, current.shop_id, settings=current.settings, asked=asked)

    found = _answer(form, OutlookQuery(), work)
    return _page("ahead/outlook.html", form, found, part=found and _part(found["by_machine"], form))


@blueprint.get("/pull-list")
def pull() -> Any:
    """Choose the machines to bring in within the workshop's hours."""
    form = PullForm.from_address()

    def work(session: Session, asked: dict[str, Any]) -> dict[str, Any]:
        given = {name: asked[name] for name in ("as_of", "hours", "days_ahead", "hours_to_bring_in")}
        return week_list(session, current.shop_id, settings=current.settings, asked=asked, **given)

    return _page("ahead/pull.html", form, _answer(form, PullListQuery(), work))


def _due(session: Session, asked: dict[str, Any]) -> dict[str, Any]:
    return due_work(
        session, current.shop_id, as_of=asked["as_of"], days=asked["days"], settings=current.settings, asked=asked
    )


@blueprint.get("/due")
def due() -> Any:
    """List scheduled renewals due."""
    form = DueForm.from_address()
    found = _answer(form, DueWorkQuery(), _due)
    coming = [row for row in found["due"] if not row["overdue"]][:MOST_ROWS] if found else []
    part = found and _part(found["overdue_machines"], form)
    return _page("ahead/due.html", form, found, part=part, coming=coming)


@blueprint.get("/due.<string:kind>")
def due_file(kind: str) -> Response:
    """Give scheduled renewals due as a table or a calendar."""
    form = DueForm.from_address()
    found = _answer(form, DueWorkQuery(), _due)
    if found is None or kind not in ("csv", "ics"):
        raise InvalidInput("ask for due.csv or due.ics, with days between 1 and 3660", pointer="/days")
    name = {"Content-Disposition": f"attachment; filename=due.{kind}"}
    if kind == "csv":
        return Response(as_csv(found["due"]), mimetype="text/csv", headers=name)
    return Response(as_calendar(found, current.shop_name, now=app().now()), mimetype="text/calendar", headers=name)


@blueprint.get("/spares")
def spares() -> Any:
    """Say how many of a component to hold."""
    form = SparesForm.from_address()
    assert isinstance(form, SparesForm)
    form.offer()

    def work(session: Session, asked: dict[str, Any]) -> dict[str, Any]:
        pool_open = app().settings.pool_open
        return spares_to_hold(session, current.shop_id, str(form.component.data), pool_open=pool_open, **asked)

    with app().database.read() as session:
        nothing = not _has_machines(session)
    found = None if nothing else _of_part(form, SparesQuery(), work)
    return shown("ahead/spares.html", form, found=found, nothing=nothing)


@blueprint.get("/renewal")
def renewal() -> Any:
    """Find the cheapest age to renew a component, or say why there is none."""
    form = RenewalForm.from_address()
    assert isinstance(form, RenewalForm)
    form.offer()

    def work(session: Session, asked: dict[str, Any]) -> dict[str, Any]:
        asked["alternatives"] = asked["alternatives"] or ()
        pool_open = app().settings.pool_open
        return renewal_advice(session, current.shop_id, str(form.component.data), asked, pool_open=pool_open)

    found = _of_part(form, RenewalQuery(), work)
    span = span_of(found["interval"], found["flat"]) if found and found["interval"] else None
    return shown("ahead/renewal.html", form, found=found, span=span)


def _of_part(
    form: PartForm, schema: Schema, work: Callable[[Session, dict[str, Any]], dict[str, Any]]
) -> dict[str, Any] | None:
    """Nothing is asked before a part is chosen."""
    return _answer(form, schema, work) if form.component.data else None
