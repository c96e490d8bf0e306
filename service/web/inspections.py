"""Pages: an inspection in the yard, one check at a time; what each finding changed; the bill; paper."""

from __future__ import annotations

import hashlib
import uuid
from contextlib import closing
from dataclasses import replace
from typing import Any

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from service.errors import DomainError, NotFound
from service.inspections.bill_paper import bill_html
from service.inspections.judging_desk import check_reply
from service.inspections.photos import kept_photo, path_of, photo_of
from service.inspections.printing import html_of, pdf_from, pdf_of
from service.inspections.sheets import inspection_sheet
from service.inspections.standing import Standing, stand
from service.inspections.visit_bill import bill_of_inspection
from service.inspections.visit_view import found_reply, inspection_reply, rest_plan
from service.inspections.visits import add_finding, add_outcome, close
from service.inspections.visits import start as start_visit
from service.models import Inspection
from service.schemas.bill import BillQuery
from service.schemas.inspection import FindingAsked, InspectionAsked, PhotoQuery, StripDownAsked
from service.security_headers import PAPER_POLICY
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.finding_forms import FINDING_FIELDS, BillForm, FindingForm, OutcomeForm, bill_request, finding_request
from service.web.forms import shown
from service.web.look_first import described
from service.web.look_forms import FIELDS, inspection_request
from service.web.once import done_once, new_key
from service.web.texts import _

blueprint = Blueprint("inspections", __name__, url_prefix="/inspections")
MOST_LISTED = 60


@blueprint.get("")
def index() -> Any:
    """List inspections, those still open first."""
    with app().database.read() as session:
        wanted = select(Inspection).where(Inspection.shop_id == current.shop_id)
        order = (Inspection.closed_at.is_not(None), Inspection.id.desc())
        rows = session.scalars(wanted.order_by(*order).limit(MOST_LISTED)).all()
    return render_template("inspections/index.html", rows=rows, most=MOST_LISTED)


@blueprint.post("")
@done_once
def start() -> Any:
    """Start the inspection of the machine that the address describes."""
    with app().database.read() as session:
        form, described_as = described(session)
    asked = described_as and load_asked(InspectionAsked(), inspection_request(form, [current.login]), form, FIELDS)
    if asked:
        try:
            return redirect(_started(asked), 303)
        except DomainError as error:
            refuse_at(form, error, FIELDS)
    return shown("look_first.html", form, found=None, makes=[], models=[], first=0, once_key=new_key())


def _started(asked: dict[str, Any]) -> str:
    now, today = app().now(), app().today()
    with app().database.write() as session:
        row = start_visit(session, current.shop_id, asked, now=now, today=today, settings=app().settings)
        return url_for("web.inspections.one", inspection_id=row.public_id)


def _standing(session: Any, inspection_id: uuid.UUID) -> Standing:
    return stand(session, current.shop_id, inspection_id, app().settings)


@blueprint.get("/<uuid:inspection_id>")
def one(inspection_id: uuid.UUID) -> Any:
    """Show where an inspection stands and what to do next."""
    with app().database.read() as session:
        shown_now = inspection_reply(session, _standing(session, inspection_id), current.settings)
    form = OutcomeForm()
    form.offer(shown_now["posteriors"])
    return render_template("inspections/one.html", visit=shown_now, outcome=form)


@blueprint.get("/<uuid:inspection_id>/checks/<string:check_id>")
def check(inspection_id: uuid.UUID, check_id: str) -> Any:
    """Show one check: cautions, steps, what a good one reads, and where to write down what was found."""
    return _check_page(inspection_id, check_id, None)


def _check_page(inspection_id: uuid.UUID, check_id: str, form: FindingForm | None) -> Any:
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        catalogue = standing.places.catalogue
        line = check_reply(check_id, catalogue)
        entry = form or FindingForm()
        entry.offer(line, standing)
        return shown("inspections/check.html", entry, line=line, visit=standing.row, once_key=new_key())


@blueprint.post("/<uuid:inspection_id>/checks/<string:check_id>")
@done_once
def record(inspection_id: uuid.UUID, check_id: str) -> Any:
    """Judge and record what a check found."""
    form = FindingForm()
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        line = check_reply(check_id, standing.places.catalogue)
        form.offer(line, standing)
    if not form.validate():
        return _check_page(inspection_id, check_id, form)
    try:
        asked = load_asked(FindingAsked(), finding_request(form, line), form, FINDING_FIELDS)
    except DomainError as error:
        refuse_at(form, error, FINDING_FIELDS)
        asked = None
    if asked is None:
        return _check_page(inspection_id, check_id, form)
    digest = hashlib.sha256(request.get_data(cache=True, as_text=False)).digest()
    try:
        with app().database.write() as session:
            standing = _standing(session, inspection_id)
            finding, _measured = add_finding(session, standing, asked, digest=digest, now=app().now())
            where = url_for("web.inspections.found", inspection_id=inspection_id, finding_id=finding.public_id)
    except DomainError as error:
        refuse_at(form, error, FINDING_FIELDS)
        return _check_page(inspection_id, check_id, form)
    return redirect(where, 303)


@blueprint.get("/<uuid:inspection_id>/findings/<uuid:finding_id>")
def found(inspection_id: uuid.UUID, finding_id: uuid.UUID) -> Any:
    """Show how a finding was judged, what it changed, and what to do next."""
    settings = current.settings
    with app().database.read() as session:
        now = _standing(session, inspection_id)
        finding = next((row for row in now.rows if row.public_id == finding_id), None)
        if finding is None:
            raise NotFound("this inspection has no such finding")
        then = replace(now, rows=tuple(row for row in now.rows if row.id <= finding.id))
        reply = found_reply(now.without(finding), then, finding, settings)
        if len(then.rows) < len(now.rows):
            reply["plan"] = rest_plan(now, now.weigh(), settings)
    return render_template("inspections/found.html", reply=reply, visit=now.row)


@blueprint.get("/<uuid:inspection_id>/bill")
def bill(inspection_id: uuid.UUID) -> Any:
    """Price an inspection as it stands, with talking points for an asking price."""
    form = BillForm(request.args, meta={"csrf": False})
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        asked = load_asked(BillQuery(), bill_request(form), form, {"asking_price": "asking_price"})
        priced = None
        if asked is not None and form.validate():
            try:
                priced = bill_of_inspection(session, standing, asked, settings=app().settings).to_dict()
            except DomainError as error:
                form.refuse(error)
    return shown("inspections/bill.html", form, bill=priced, visit=standing.row)


@blueprint.get("/<uuid:inspection_id>/plan.html")
def paper(inspection_id: uuid.UUID) -> Response:
    """Show what is left to do as a page to print and fill in by pencil."""
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        sheet = inspection_sheet(session, standing, app().settings)
    html = html_of(sheet, standing.places.catalogue)
    return Response(html, mimetype="text/html", headers={"Content-Security-Policy": PAPER_POLICY})


@blueprint.get("/<uuid:inspection_id>/plan.pdf")
def pdf(inspection_id: uuid.UUID) -> Response:
    """Give the same page as PDF."""
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        sheet = inspection_sheet(session, standing, app().settings)
    return Response(pdf_of(sheet, standing.places.catalogue), mimetype="application/pdf")


@blueprint.get("/<uuid:inspection_id>/bill.html")
def bill_paper(inspection_id: uuid.UUID) -> Response:
    """Show what was found and what it costs as a plain list to print and lay on the table."""
    html = _bill_html(inspection_id)
    return Response(html, mimetype="text/html", headers={"Content-Security-Policy": PAPER_POLICY})


@blueprint.get("/<uuid:inspection_id>/bill.pdf")
def bill_pdf(inspection_id: uuid.UUID) -> Response:
    """Give the same list as PDF."""
    return Response(pdf_from(_bill_html(inspection_id)), mimetype="application/pdf")


def _bill_html(inspection_id: uuid.UUID) -> str:
    with app().database.read() as session:
        standing = _standing(session, inspection_id)
        priced = bill_of_inspection(session, standing, BillQuery().load({}), settings=app().settings).to_dict()
    return bill_html(priced, standing.row.machine, standing.row.as_of)


@blueprint.post("/<uuid:inspection_id>/photos")
@done_once
def add_photo(inspection_id: uuid.UUID) -> Any:
    """Keep a photo."""
    file = request.files.get("photo")
    where = redirect(url_for("web.inspections.one", inspection_id=inspection_id) + "#photos", 303)
    if file is None or not file.filename:
        flash(_("Choose a picture first."))
        return where
    asked = PhotoQuery().load({"caption": request.form.get("caption", "")[:200]})
    with closing(file), app().database.write() as session:
        standing = _standing(session, inspection_id)
        with kept_photo(session, standing, file.stream, asked, app().settings, app().now()):
            pass
    flash(_("The picture is kept."))
    return where


@blueprint.get("/<uuid:inspection_id>/photos/<uuid:photo_id>")
def photo(inspection_id: uuid.UUID, photo_id: uuid.UUID) -> Response:
    """Send back a photo."""
    settings = current.settings
    with app().database.read() as session:
        row = photo_of(session, _standing(session, inspection_id), photo_id)
    return Response(path_of(row, settings).read_bytes(), mimetype=row.content_type)


@blueprint.post("/<uuid:inspection_id>/outcomes")
@done_once
def outcome(inspection_id: uuid.UUID) -> Any:
    """Record whether it was the part."""
    form = OutcomeForm()
    component, _bar, position = (form.part.data or "").partition("|")
    body = {"component": component, "position": position or None, "really_bad": form.really_bad.data == "yes",
            "note": form.note.data or ""}  # fmt: skip
    asked = load_asked(StripDownAsked(), body, form, {"component": "part"})
    if asked is not None:
        try:
            with app().database.write() as session:
                add_outcome(session, _standing(session, inspection_id), asked, now=app().now())
            flash(_("Kept: checks learn from it how far they can be trusted."))
            return redirect(url_for("web.inspections.one", inspection_id=inspection_id) + "#outcomes", 303)
        except DomainError as error:
            refuse_at(form, error, {"component": "part"})
    with app().database.read() as session:
        visit = inspection_reply(session, _standing(session, inspection_id), current.settings)
    form.offer(visit["posteriors"])
    return shown("inspections/one.html", form, visit=visit, outcome=form)


@blueprint.post("/<uuid:inspection_id>/close")
@done_once
def end(inspection_id: uuid.UUID) -> Any:
    """Close an inspection."""
    with app().database.write() as session:
        close(_standing(session, inspection_id).row, app().now())
    return redirect(url_for("web.inspections.one", inspection_id=inspection_id), 303)
