"""Pages: what stands in doubt, answered one by one or in bulk; every answer and correction stays in sight."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Blueprint, flash, redirect, request, url_for
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.corrections import Author, line_in_force, shop_row, supersede, trail_of, undo_link
from service.errors import DomainError
from service.imports.refresh import refresh_machines
from service.imports.words import catalogue_words
from service.log_figures import kept_share, missing_readings
from service.models import ComponentType, Doubt, JobCard, JobLine, LineLink, Machine
from service.queries import doubt_counts, line_of, link_of, page_of
from service.review_answers import answer_doubts
from service.reviews import doubts_of, review_documents, written_cells
from service.schemas.reviews import AnswersAsked, ReviewQuery
from service.vocabulary import JOB_LINE_COLUMNS
from service.web.asked import load_asked, refuse_at
from service.web.correction_form import CorrectionForm, changes_of
from service.web.current import app, current
from service.web.forms import shown
from service.web.import_forms import COLUMN_NAMES
from service.web.log_forms import ACTION_NAMES, REASON_NAMES
from service.web.names import DOUBT_NAMES, catalogue_now
from service.web.once import done_once, new_key
from service.web.review_forms import CHOICE_NAMES, ReviewForm, answers_asked, wants, ways
from service.web.texts import _, ngettext

blueprint = Blueprint("review", __name__, url_prefix="/review")
SHOWN = 12
NARROWED_BY = ("kind", "import_id", "machine", "settled")


@blueprint.get("")
def index() -> Any:
    """Show what is in doubt by kind; of one kind, or of one file, the doubts themselves."""
    return _page(None)


@blueprint.post("")
@done_once
def answer() -> Any:
    """Answer the doubts for which something was chosen, all or none."""
    form = ReviewForm()
    if not form.validate():
        return _page(form)
    with app().database.read() as session:
        body, places = answers_asked(form, current.login, catalogue_words(session, current.shop_id))
    if not body["answers"]:
        form.form_errors.append(_("Choose an answer for at least one of them."))
        return _page(form)
    asked = load_asked(AnswersAsked(), body, form, places)
    if asked is None:
        return _page(form)
    author = Author(asked["by"], asked["why"], app().now(), app().today())
    try:
        with app().database.write() as session:
            done = answer_doubts(session, current.shop_id, asked["answers"], author)
    except DomainError as error:
        refuse_at(form, error, places)
        return _page(form)
    flash(ngettext("%(n)s doubt is answered.", "%(n)s doubts are answered.", done["answered"]))
    if done["like_rows_left"]:
        flash(ngettext("%(n)s like row could not take the answer and stays on the list.",
                       "%(n)s like rows could not take the answer and stay on the list.",
                       done["like_rows_left"]))  # fmt: skip
    return redirect(url_for("web.review.index", **_narrowed()), 303)


def _narrowed() -> dict[str, Any]:
    return {name: request.args[name] for name in NARROWED_BY if request.args.get(name)}


def _page(form: ReviewForm | None) -> Any:
    asked = ReviewQuery().load(
        {**_narrowed(), **{n: request.args[n] for n in ("after", "before") if n in request.args}}
    )
    edges = {"after": asked.pop("after"), "before": asked.pop("before"), "limit": SHOWN}
    asked.pop("limit")
    opened = form is not None or any(asked.values())
    with app().database.read() as session:
        words = catalogue_words(session, current.shop_id)
        wanted = doubts_of(current.shop_id, **asked)
        part = page_of(session, wanted, Doubt, edges)
        rows = part.rows if opened else []
        if form is not None:  # what was refused stays beside the doubts it is about
            ids = [row.form.doubt.data for row in form.answers]
            rows = _in_order(session, ids)
        documents = review_documents(session, rows, words)
        values = {
            "counts": doubt_counts(session, current.shop_id, None),
            "share": kept_share(session, current.shop_id),
            "missing": missing_readings(session, current.shop_id),
        }
    if form is None:
        form = ReviewForm(formdata=None)
        form.offer(documents)
    return shown(
        "review/index.html", form, documents=documents, asked=asked, opened=opened, part=part, ways=ways, wants=wants,
        doubt_kinds=DOUBT_NAMES, choice_names=CHOICE_NAMES, reason_names=REASON_NAMES, action_names=ACTION_NAMES,
        parts_known=sorted(c.name for c in catalogue_now().components), column_names=COLUMN_NAMES,
        narrowed=_narrowed(), once_key=new_key(), **values,
    )  # fmt: skip


def _in_order(session: Session, ids: list[str]) -> list[Doubt]:
    keys = []
    for text in ids:
        try:
            keys.append(uuid.UUID(text or ""))
        except ValueError:
            continue
    rows = session.scalars(select(Doubt).where(Doubt.shop_id == current.shop_id, Doubt.public_id.in_(keys))).all()
    return sorted(rows, key=lambda row: keys.index(row.public_id))


@blueprint.get("/lines/<uuid:line_id>")
def line(line_id: uuid.UUID) -> Any:
    """Show a line with everything it was before, what it is linked to, and a form to correct it."""
    return _line_page(line_id, None)


def _line_page(line_id: uuid.UUID, form: CorrectionForm | None) -> Any:
    with app().database.read() as session:
        row = line_of(session, current.shop_id, line_id)
        trail = trail_of(session, row)
        origin = row.first_id or row.id
        links = session.scalars(
            select(LineLink).where(or_(LineLink.line_id == origin, LineLink.to_line_id == origin)).order_by(LineLink.id)
        ).all()
        doubts = session.scalars(
            select(Doubt).where(Doubt.job_line_id.in_([entry.id for entry in trail])).order_by(Doubt.id)
        ).all()
        now = trail[-1]
        return shown(
            "review/line.html", form or CorrectionForm.of(now), line=now, trail=trail, links=links, doubts=doubts,
            machine=session.get_one(Machine, row.machine_id), card=session.get_one(JobCard, row.card_id),
            slugs=dict(session.execute(select(ComponentType.id, ComponentType.slug)).all()),
            cells=written_cells, doubt_kinds=DOUBT_NAMES, choice_names=CHOICE_NAMES, action_names=ACTION_NAMES,
            reason_names=REASON_NAMES, column_names=COLUMN_NAMES, once_key=new_key(),
        )  # fmt: skip


@blueprint.post("/lines/<uuid:line_id>")
@done_once
def correct(line_id: uuid.UUID) -> Any:
    """Write the line that takes the place of this one."""
    form = CorrectionForm()
    with app().database.read() as session:
        now = trail_of(session, line_of(session, current.shop_id, line_id))[-1]
        changes = changes_of(form, now.as_written)
    if not changes:
        form.form_errors.append(_("Nothing was changed."))
    if not form.validate() or form.refused:
        return _line_page(line_id, form)
    return _corrected(line_id, form, changes)


def _corrected(line_id: uuid.UUID, form: CorrectionForm, changes: dict[str, str]) -> Any:
    why = (form.why.data or "").strip() or _("corrected on its page")
    author = Author(current.login, why, app().now(), app().today())
    try:
        with app().database.write() as session:
            shop = shop_row(session, current.shop_id)
            old = trail_of(session, line_of(session, shop.id, line_id))[-1]
            new = supersede(session, old, changes, author, catalogue_words(session, shop.id))
            refresh_machines(session, shop, [old.machine_id], [old], now=author.now, today=author.today)
            where = url_for("web.review.line", line_id=new.public_id)
    except DomainError as error:
        refuse_at(form, error, {f"changes.{name}": name for name in JOB_LINE_COLUMNS})
        return _line_page(line_id, form)
    flash(_("Corrected; what was written before stays below."))
    return redirect(where, 303)


@blueprint.post("/lines/<uuid:line_id>/back")
@done_once
def back(line_id: uuid.UUID) -> Any:
    """Write a line down again as it was at an earlier step of its trail."""
    with app().database.read() as session:
        wanted = line_of(session, current.shop_id, line_id)
        now = trail_of(session, wanted)[-1]
        pairs = zip(JOB_LINE_COLUMNS, now.as_written, wanted.as_written, strict=True)
        changes = {name: then for name, is_now, then in pairs if is_now != then}
    form = CorrectionForm.of(now)
    form.why.data = _("back to how it was written before")
    if not changes:
        form.form_errors.append(_("It is written like that now."))
        return _line_page(line_id, form)
    return _corrected(line_id, form, changes)


@blueprint.post("/links/<uuid:link_id>/undo")
@done_once
def undo(link_id: uuid.UUID) -> Any:
    """Take a link back: the line stands for itself again."""
    author = Author(current.login, _("taken back on its page"), app().now(), app().today())
    with app().database.write() as session:
        shop = shop_row(session, current.shop_id)
        link = link_of(session, shop.id, link_id)
        undo_link(session, link, author)
        now: JobLine = line_in_force(session, link.line_id)
        refresh_machines(session, shop, [now.machine_id], [now], now=author.now, today=author.today)
        where = url_for("web.review.line", line_id=now.public_id)
    flash(_("Taken back."))
    return redirect(where, 303)
