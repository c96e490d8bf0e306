"""Files of job lines in."""

from __future__ import annotations

import uuid
from os import SEEK_END
from typing import Any

from flask import request, url_for
from flask.views import MethodView
from marshmallow import RAISE, ValidationError
from sqlalchemy.orm import Session
from werkzeug.datastructures import FileStorage

from service.api.context import app, reading, shop_id
from service.api.pages import HEADER, listed
from service.api.resource import Resource
from service.errors import InvalidInput
from service.imports.faults import shorten
from service.imports.habits import options_of
from service.imports.intake import take_in
from service.imports.jobs import ask_import, digest_of
from service.imports.summary import ImportReport
from service.jobs.asking import ask
from service.log_figures import doubt_share
from service.models import ImportBatch
from service.queries import doubt_counts, import_of, imports_of, open_doubts, page_of
from service.schemas.import_wishes import ImportQuery
from service.schemas.jobs import JobReply
from service.schemas.records import ImportFile, ImportReply, ImportsQuery, ImportsReply, KnownAtQuery

blueprint = Resource("imports", __name__, url_prefix="/imports", description="Job-line files")
DOUBTS_SHOWN = 1000
AT_ONCE_BYTES = 8 * 1024 * 1024  # larger files are taken in apart from the request


@blueprint.route("")
class Imports(MethodView):
    @blueprint.arguments(ImportsQuery, location="query")
    @blueprint.response(200, ImportsReply, headers=HEADER)
    def get(self, asked: dict[str, Any]) -> Any:
        """List the shop's imports."""
        with reading(asked["known_at"]) as session:
            part = page_of(session, imports_of(session, shop_id()), ImportBatch, asked)
        return listed("imports", part.rows, part)

    @blueprint.arguments(ImportQuery, location="query")
    @blueprint.arguments(ImportFile, location="files")
    @blueprint.response(201, ImportReply)
    @blueprint.alt_response(200, schema=ImportReply, description="Nothing was written: a dry run, or nothing is new")
    @blueprint.alt_response(202, schema=JobReply, description="Accepted; the job says how far it is")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], files: dict[str, Any]) -> Any:
        """Take in a file of job lines, all or nothing."""
        asked = _told(asked)
        upload = files["file"]
        if asked["background"] or (upload.stream.seek(0, SEEK_END) > AT_ONCE_BYTES and not asked["dry_run"]):
            return _accepted(upload, asked)
        upload.stream.seek(0)
        report = take_in(
            app().database,
            shop_id(),
            upload.stream,
            file_name=upload.filename or "upload.csv",
            now=app().now(),
            today=app().today(),
            dry_run=asked["dry_run"],
            keep_good=asked["keep_good"],
            wishes=asked,
            by="HTTP",
        )
        if not report.applied:
            return _nothing_written(report), 200
        with app().database.read() as session:
            row = import_of(session, shop_id(), uuid.UUID(report.import_id))
            return _reply(session, row), 201, {"Location": url_for("imports.OneImport", import_id=row.public_id)}


@blueprint.route("/<uuid:import_id>")
class OneImport(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, ImportReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], import_id: uuid.UUID) -> dict[str, Any]:
        """Show one import with the rows that are in doubt now, or were at a past moment."""
        with reading(asked["known_at"]) as session:
            return _reply(session, import_of(session, shop_id(), import_id))


def _told(asked: dict[str, Any]) -> dict[str, Any]:
    """The wishes of the address and those that came as fields beside the file; neither is passed over."""
    try:
        beside = ImportQuery(unknown=RAISE).load(request.form.to_dict())
    except ValidationError as error:
        name = next(iter(error.normalized_messages()))
        raise InvalidInput(
            "beside the file, write dry_run=true or keep_good=true, how it is to be read, or nothing",
            pointer=f"/{name}",
        ) from None
    return {name: asked[name] or beside[name] for name in beside}


def _accepted(upload: FileStorage, asked: dict[str, Any]) -> Any:
    """Keep the file and ask for the work: whoever does it goes on after a stop."""
    upload.stream.seek(0)
    content = upload.stream.read()
    now, name = app().now(), shorten(upload.filename or "upload")
    with app().database.write() as session:
        options = options_of(session, shop_id(), asked)
        kept = ask_import(
            session, shop_id(), digest=digest_of(content), content=content, file_name=name, options=options,
            keep_good=asked["keep_good"], now=now,
        )  # fmt: skip
        job = ask(
            session, "import", f"import:{shop_id()}", {"import_job": kept.id}, shop_id=shop_id(), now=now,
            most_waiting=app().settings.jobs_waiting,
        )  # fmt: skip
        session.flush()
        return (
            app().json.response(JobReply().dump(job)),
            202,
            {"Location": url_for("jobs.OneJob", job_id=job.public_id)},
        )


def _reply(session: Session, row: ImportBatch) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "file_name": row.file_name,
        "recorded_at": row.recorded_at,
        "summary": row.summary,
        "doubt_counts": doubt_counts(session, shop_id(), row.id),
        "doubts": open_doubts(session, shop_id(), row.id, limit=DOUBTS_SHOWN),
        "share_in_doubt": doubt_share(session, shop_id(), row.id)["share_in_doubt"],
    }


def _nothing_written(report: ImportReport) -> dict[str, Any]:
    return {
        "id": report.import_id,
        "file_name": report.file_name,
        "recorded_at": None,
        "summary": report.to_dict(),
        "doubt_counts": report.doubts_by_kind,
        "doubts": [{"id": None, **doubt} for doubt in report.to_dict()["doubts"]],
        "share_in_doubt": report.lines_in_doubt / report.lines_new if report.lines_new else 0.0,
    }
