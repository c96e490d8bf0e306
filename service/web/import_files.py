"""Pages: take in a file of job lines: send it, see what was understood, mend that, take it in, see how far it is."""

from __future__ import annotations

import json
import uuid
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import ColumnsUnclear, DomainError, FileRefused, InvalidInput, RowsRefused
from service.imports.habits import accepted, options_of, save_columns
from service.imports.held import beginning_of, first_rows, held_file, hold_file, options_with
from service.imports.intake import take_in
from service.imports.jobs import ask_import
from service.imports.large import STAGED_FROM
from service.imports.options import ColumnUse
from service.imports.summary import ImportReport
from service.jobs.asking import ask, job_of
from service.log_figures import kept_share
from service.models import ImportBatch, ImportJob, Job
from service.queries import doubt_counts, import_of, imports_of
from service.schemas.import_wishes import ImportQuery
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import shown
from service.web.import_forms import COLUMN_NAMES, SAID, FileForm, ReadingForm, wishes_of
from service.web.names import DOUBT_NAMES
from service.web.once import done_once, new_key
from service.web.texts import _

blueprint = Blueprint("files", __name__, url_prefix="/files")
ROWS_SHOWN = 5
LISTED = 30
PROBLEMS_SHOWN = 100
FIELDS = {**{name: name for name in SAID}, "file": "file"}


@dataclass
class Look:
    """What a file would bring: the report, or why it cannot be read."""

    uses: tuple[ColumnUse, ...] = ()
    report: ImportReport | None = None
    refusal: DomainError | None = None
    whole: bool = True
    rows: list[list[str]] = field(default_factory=list)

    @property
    def usable(self) -> bool:
        """Whether it can be taken in as it is, or at least its good rows."""
        return self.report is not None and self.report.lines_new > 0


@blueprint.get("")
def index() -> Any:
    """Send a file, and see those that were taken in."""
    return _index(FileForm(formdata=None))


def _index(form: FileForm) -> Any:
    with app().database.read() as session:
        wanted = imports_of(session, current.shop_id).order_by(ImportBatch.id.desc()).limit(LISTED)
        rows = session.scalars(wanted).all()
        waiting = select(Job).where(Job.shop_id == current.shop_id, Job.kind == "import", Job.ended_at.is_(None))
        under_way = session.scalars(waiting.order_by(Job.id)).all()
    return shown("log_work/files.html", form, imports=rows, under_way=under_way, once_key=new_key())


@blueprint.post("")
@done_once
def send() -> Any:
    """Keep a file, to be looked at."""
    form, upload = FileForm(), request.files.get("file")
    if upload is None or not upload.filename:
        form.file.errors = [_("Choose a file first.")]
        return _index(form)
    with closing(upload):
        content = upload.stream.read()
    if not content.strip():
        form.file.errors = [_("The file is empty; its first line must name the columns.")]
        return _index(form)
    with app().database.write() as session:
        held = hold_file(session, current.shop_id, content, file_name=upload.filename, now=app().now())
        where = url_for("web.log_work.files.look", file_id=held.public_id)
    return redirect(where, 303)


@blueprint.get("/<uuid:file_id>")
def look(file_id: uuid.UUID) -> Any:
    """Show what was understood of a file before anything is taken in."""
    with app().database.read() as session:
        held = held_file(session, current.shop_id, file_id)
    form = ReadingForm(formdata=None, **{name: held.options.get(name) for name in SAID})
    return _look_page(held, form, looked_at(held, held.options))


def _look_page(held: ImportJob, form: ReadingForm, seen: Look) -> Any:
    form.offer(seen.uses)
    if seen.refusal is not None and not isinstance(seen.refusal, ColumnsUnclear):
        refuse_at(form, seen.refusal, {**FIELDS, "file": ""})
    report = seen.report
    # Columns nobody knows are asked about in the table of columns: a list of them in words for a terminal is no help.
    unknown = sum(not use.how for use in seen.uses) if isinstance(seen.refusal, ColumnsUnclear) else 0
    told = report.problems[:PROBLEMS_SHOWN] if report else getattr(seen.refusal, "problems", ())
    return shown(
        "log_work/look.html", form, held=held, seen=seen, report=report, once_key=new_key(),
        problems=() if unknown else told, unknown=unknown,
        column_names=COLUMN_NAMES, doubt_kinds=DOUBT_NAMES,
    )  # fmt: skip


def looked_at(held: ImportJob, said: dict[str, Any]) -> Look:
    """Try a file without taking anything in."""
    part, whole = beginning_of(held.content or b"")
    seen = Look(whole=whole)
    wishes = {**said, "accept_columns": True}
    try:
        with app().database.read() as session:
            options = options_of(session, current.shop_id, wishes)
        seen.rows = first_rows(part, options, ROWS_SHOWN)
        seen.report = take_in(
            app().database, current.shop_id, part, file_name=held.file_name, now=app().now(), today=app().today(),
            dry_run=True, keep_good=True, wishes=wishes, by=current.login,
        )  # fmt: skip
        seen.uses = seen.report.reading.columns if seen.report.reading else ()
    except ColumnsUnclear as error:
        seen.refusal, seen.uses = error, error.columns
    except DomainError as error:
        seen.refusal = error
        seen.uses = tuple(ColumnUse(name, "", "") for name in (seen.rows[0] if seen.rows else ()))
    return seen


@blueprint.post("/<uuid:file_id>/reading")
def reading(file_id: uuid.UUID) -> Any:
    """Read the file otherwise, and show what it comes to then."""
    form = ReadingForm()
    said = wishes_of(form)
    with app().database.read() as session:
        held = held_file(session, current.shop_id, file_id)
    asked = load_asked(ImportQuery(), {**said, "columns": json.dumps(said.get("columns", {}))}, form, FIELDS)
    if asked is None:
        return _look_page(held, form, looked_at(held, held.options))
    with app().database.write() as session:
        held_file(session, current.shop_id, file_id).options = options_with({n: asked[n] for n in (*SAID, "columns")})
    return redirect(url_for("web.log_work.files.look", file_id=file_id), 303)


@blueprint.post("/<uuid:file_id>/take-in")
@done_once
def accept(file_id: uuid.UUID) -> Any:
    """Take the file in: all of it or nothing, or its good rows where that is wanted."""
    form, settings = ReadingForm(), app().settings
    with app().database.read() as session:
        held = held_file(session, current.shop_id, file_id)
    keep_good, wishes = bool(form.keep_good.data), {**held.options, "accept_columns": True}
    seen = looked_at(held, held.options)
    if seen.report is None:
        return _look_page(held, form, seen)
    if not seen.whole or seen.report.row_count >= STAGED_FROM:
        with app().database.write() as session:
            job = _asked_for(session, held, seen, wishes, keep_good, settings.jobs_waiting)
            where = url_for("web.log_work.files.progress", job_id=job.public_id)
        return redirect(where, 303)
    try:
        report = take_in(
            app().database, current.shop_id, held.content or b"", file_name=held.file_name, now=app().now(),
            today=app().today(), keep_good=keep_good, wishes=wishes, by=current.login,
        )  # fmt: skip
    except (RowsRefused, FileRefused) as error:
        form.refuse(InvalidInput(error.detail))
        return _look_page(held, form, seen)
    if report.import_id is None:
        form.refuse(InvalidInput(_("nothing in this file is new here")))
        return _look_page(held, form, seen)
    if report.applied:
        with app().database.write() as session:
            session.delete(held_file(session, current.shop_id, file_id))
    return redirect(url_for("web.log_work.files.one", import_id=report.import_id), 303)


def _asked_for(
    session: Session, held: ImportJob, seen: Look, wishes: dict[str, Any], keep_good: bool, most_waiting: int
) -> Job:
    """The job that takes a long file in; whoever does it goes on after a stop."""
    assert seen.report is not None
    save_columns(session, current.shop_id, accepted(seen.report.reading), by=current.login, now=app().now())
    options = options_of(session, current.shop_id, wishes)
    kept = ask_import(
        session, current.shop_id, digest=held.digest, content=held.content, file_name=held.file_name,
        options=options, keep_good=keep_good, now=app().now(),
    )  # fmt: skip
    job = ask(
        session, "import", f"import:{current.shop_id}", {"import_job": kept.id}, shop_id=current.shop_id,
        now=app().now(), most_waiting=most_waiting,
    )  # fmt: skip
    session.delete(held_file(session, current.shop_id, held.public_id))
    session.flush()
    return job


@blueprint.post("/<uuid:file_id>/put-away")
def put_away(file_id: uuid.UUID) -> Any:
    """Let go of a file that is not to be taken in."""
    with app().database.write() as session:
        session.delete(held_file(session, current.shop_id, file_id))
    flash(_("The file is put away; nothing was taken in."))
    return redirect(url_for("web.log_work.files.index"), 303)


@blueprint.get("/progress/<uuid:job_id>")
def progress(job_id: uuid.UUID) -> Any:
    """Show how far an import is, and what came of it."""
    with app().database.read() as session:
        job = job_of(session, current.shop_id, job_id)
    template = "log_work/progress_part.html" if request.headers.get("HX-Request") else "log_work/progress.html"
    return render_template(template, job=job, result=job.result or {})


@blueprint.get("/imports/<uuid:import_id>")
def one(import_id: uuid.UUID) -> Any:
    """Show what an import brought and what of it stands in doubt now."""
    with app().database.read() as session:
        row = import_of(session, current.shop_id, import_id)
        counts = doubt_counts(session, current.shop_id, row.id)
        share = kept_share(session, current.shop_id, row.id)
    return render_template("log_work/import.html", row=row, counts=counts, share=share, doubt_kinds=DOUBT_NAMES)
