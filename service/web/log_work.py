"""Pages: write a job card down, its words mapped as they are typed, its doubts shown before it is saved."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from service.corrections import Author
from service.errors import DomainError, NotFound
from service.line_entry import enter_lines, foresee_lines
from service.models import ComponentType, JobCard, JobLine, Machine
from service.queries import doubts_by_line
from service.schemas.new_lines import JobLinesAsked
from service.web import import_files
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.log_forms import ACTION_NAMES, MOST_LINES, REASON_NAMES, CardForm, lines_asked
from service.web.log_sense import (
    answer_words,
    contradiction,
    doubts_ahead,
    machine_named,
    machines_like,
    mark_of,
    next_card_number,
    readings_of,
    stored_lines,
    understood,
    words_of,
)
from service.web.look_forms import known_models
from service.web.names import DOUBT_NAMES, catalogue_now
from service.web.once import done_once, new_key
from service.web.texts import _

blueprint = Blueprint("log_work", __name__, url_prefix="/log-work")
blueprint.register_blueprint(import_files.blueprint)
# Sent by a browser that kept the card while there was no connection: nobody is there to be asked.
KEPT = "Weakspot-Kept"


@blueprint.get("")
def index() -> Any:
    """Write a job card down."""
    form = CardForm(formdata=None)
    form.date.data, form.unit.data = app().today().isoformat(), current.unit
    form.currency.data = current.currency
    form.machine.data = request.args.get("machine", "")[:80]
    with app().database.read() as session:
        form.card.data = next_card_number(session, current.shop_id)
    return _page(form)


def _page(form: CardForm, doubts: list[dict[str, Any]] | None = None) -> Any:
    with app().database.read() as session:
        makes, models = known_models(session)
        machine = machine_named(session, current.shop_id, form.machine.data or "")
        readings = readings_of(session, machine)
        page = render_template(
            "log_work/index.html", form=form, doubts=doubts, makes=makes, models=models, machine=machine,
            machines=machines_like(session, current.shop_id, ""), last=readings[-1] if readings else None,
            remark=contradiction(form, readings), sense=understood(session, current.shop_id, form),
            parts_known=sorted(component.name for component in catalogue_now().components), once_key=new_key(),
            most_lines=MOST_LINES,
        )  # fmt: skip
    return page, 422 if form.refused or doubts else 200


@blueprint.post("/again")
def again() -> Any:
    """Show the form with one line more, or with what its words were taken for: for browsers without scripts."""
    form = CardForm()
    if request.form.get("do") == "more" and len(form.lines) < MOST_LINES:
        form.lines.append_entry()
    return _page(form)


@blueprint.post("")
@done_once
def save() -> Any:
    """Save a card; where something would stand in doubt, show that first."""
    form = CardForm()
    if not form.validate():
        return _page(form)
    rows, places = lines_asked(form)
    asked = load_asked(JobLinesAsked(), {"lines": rows}, form, places)
    if asked is None:
        return _page(form)
    try:
        with app().database.read() as session:
            plan = foresee_lines(session, current.shop_id, asked["lines"], today=app().today())
        doubts = doubts_ahead(plan, form)
        if mark_of(doubts) != (form.seen.data or "") and KEPT not in request.headers:
            form.seen.data = mark_of(doubts)
            if doubts:
                return _page(form, doubts)
        return redirect(_written(form, asked["lines"]), 303)
    except DomainError as error:
        refuse_at(form, error, places)
        return _page(form)


def _written(form: CardForm, rows: list[dict[str, Any]]) -> str:
    now, today = app().now(), app().today()
    author = Author(current.login, _("said when the card was written down"), now, today)
    with app().database.write() as session:
        entered = enter_lines(session, current.shop_id, rows, now=now, today=today)
        answer_words(session, current.shop_id, form, entered, author)
        of_the_line = select(JobLine.card_id).where(JobLine.id == entered[0].line.id).scalar_subquery()
        card = session.scalars(select(JobCard).where(JobCard.id == of_the_line)).one()
        if not any(one.created for one in entered):
            flash(_("Exactly this was on record already; nothing was written twice."))
        return url_for("web.log_work.saved", card_id=card.public_id)


@blueprint.get("/line")
def line() -> Any:
    """Give the fields of one line more."""
    number = min(max(request.args.get("number", 1, type=int), 1), MOST_LINES)
    form = CardForm(formdata=None)
    while len(form.lines) < min(number + 1, MOST_LINES):
        form.lines.append_entry()
    return render_template("log_work/line.html", form=form, number=number, most_lines=MOST_LINES)


@blueprint.get("/words")
def words() -> Any:
    """Say what the words of one line were taken for."""
    number = max(request.args.get("number", 0, type=int), 0)
    form = CardForm(request.args, meta={"csrf": False})
    if number >= len(form.lines):
        raise NotFound("the form has no such line")
    with app().database.read() as session:
        sense = understood(session, current.shop_id, form)[number]
    return render_template("log_work/words.html", number=number, sense=sense, line=form.lines[number])


@blueprint.get("/machine")
def machine() -> Any:
    """Say whether a machine is on record, what its odometer showed last, and which references read like it."""
    form = CardForm(request.args, meta={"csrf": False})
    text = (form.machine.data or "")[:80]
    with app().database.read() as session:
        found = machine_named(session, current.shop_id, text)
        readings = readings_of(session, found)
        return render_template(
            "log_work/machine.html", form=form, machine=found, last=readings[-1] if readings else None,
            remark=contradiction(form, readings), machines=machines_like(session, current.shop_id, text),
            asked=True,
        )  # fmt: skip


@blueprint.get("/cards/<uuid:card_id>")
def saved(card_id: uuid.UUID) -> Any:
    """Show what of a card is on record, and what of it stands in doubt."""
    with app().database.read() as session:
        card = session.scalar(select(JobCard).where(JobCard.shop_id == current.shop_id, JobCard.public_id == card_id))
        if card is None:
            raise NotFound("there is no such card")
        lines = stored_lines(session, current.shop_id, card.id)
        doubts = doubts_by_line(session, [line.id for line in lines])
        slugs = dict(session.execute(select(ComponentType.id, ComponentType.slug)).all())
        owner = session.get_one(Machine, card.machine_id)
        return render_template(
            "log_work/saved.html", card=card, lines=lines, doubts=doubts, slugs=slugs, machine=owner,
            words_of=words_of,
            doubt_kinds=DOUBT_NAMES, action_names=ACTION_NAMES, reason_names=REASON_NAMES,
        )  # fmt: skip
