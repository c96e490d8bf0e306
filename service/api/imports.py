"""Files of job lines in."""

from __future__ import annotations

import uuid
from typing import Any

from flask.views import MethodView
from flask_smorest import Blueprint

from service.api.context import app, shop_id
from service.imports.intake import take_in
from service.models import ImportBatch
from service.queries import doubt_counts, import_of, imports_of, open_doubts, page
from service.schemas.records import ImportFile, ImportQuery, ImportReply, ImportsReply, PageQuery

blueprint = Blueprint("imports", __name__, url_prefix="/imports", description="Job-line files")
DOUBTS_SHOWN = 1000


@blueprint.route("")
class Imports(MethodView):
    @blueprint.arguments(PageQuery, location="query")
    @blueprint.response(200, ImportsReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List the shop's imports."""
        with app().database.read() as session:
            rows = page(session, imports_of(shop_id()), ImportBatch, after=asked["after"], limit=asked["limit"])
            listed = [
                {"id": str(row.public_id), "file_name": row.file_name, "recorded_at": row.recorded_at} for row in rows
            ]
        return {"imports": listed, "next": listed[-1]["id"] if len(listed) == asked["limit"] else None}

    @blueprint.arguments(ImportQuery, location="query")
    @blueprint.arguments(ImportFile, location="files")
    @blueprint.response(201, ImportReply)
    @blueprint.alt_response(422, schema="ProblemDocument")
    def post(self, asked: dict[str, Any], files: dict[str, Any]) -> dict[str, Any]:
        """Take in a file of job lines, all or nothing."""
        upload = files["file"]
        report = take_in(
            app().database,
            shop_id(),
            upload.stream,
            file_name=upload.filename or "upload.csv",
            now=app().now(),
            today=app().today(),
            dry_run=asked["dry_run"],
            keep_good=asked["keep_good"],
        )
        if report.import_id is None:
            return _not_kept(report)
        with app().database.read() as session:
            return _reply(session, import_of(session, shop_id(), uuid.UUID(report.import_id)))


@blueprint.route("/<uuid:import_id>")
class OneImport(MethodView):
    @blueprint.response(200, ImportReply)
    @blueprint.alt_response(404, schema="ProblemDocument")
    def get(self, import_id: uuid.UUID) -> dict[str, Any]:
        """Show one import with the rows that are in doubt now."""
        with app().database.read() as session:
            return _reply(session, import_of(session, shop_id(), import_id))


def _reply(session: Any, row: ImportBatch) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "file_name": row.file_name,
        "recorded_at": row.recorded_at,
        "summary": row.summary,
        "doubt_counts": doubt_counts(session, shop_id(), row.id),
        "doubts": open_doubts(session, shop_id(), row.id, limit=DOUBTS_SHOWN),
    }


def _not_kept(report: Any) -> dict[str, Any]:
    """A dry run leaves no import behind; its summary says what would have happened."""
    summary = report.to_dict()
    return {
        "id": None,
        "file_name": summary.get("file_name", ""),
        "recorded_at": None,
        "summary": summary,
        "doubt_counts": summary.get("doubts", {}),
        "doubts": [],
    }
