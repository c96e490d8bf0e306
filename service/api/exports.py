"""Job lines out, in the form they came in."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from flask import Response, request
from flask.views import MethodView
from werkzeug.exceptions import NotAcceptable

from service.api.context import reading, shop_id
from service.api.resource import Resource
from service.exports import FORMATS, write_job_lines
from service.models import Shop
from service.schemas.exports import ExportQuery
from service.schemas.records import KnownAtQuery

blueprint = Resource("exports", __name__, url_prefix="/exports", description="Job-line files")
IN_MEMORY = 4 * 1024 * 1024
SENT_AT_ONCE = 64 * 1024
_FILE = {"type": "string", "format": "binary"}


@blueprint.route("/job-lines.csv")
class JobLines(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, {"type": "string"}, content_type="text/csv")
    def get(self, asked: dict[str, Any]) -> Response:
        """Write out all of the shop's job lines as CSV; the import takes it back unchanged."""
        return _file("csv", asked["known_at"])


@blueprint.route("/job-lines")
class JobLinesAs(MethodView):
    @blueprint.arguments(ExportQuery, location="query")
    @blueprint.response(200, _FILE, content_type=FORMATS["csv"].media_type)
    @blueprint.alt_response(200, schema=_FILE, content_type=FORMATS["jsonl"].media_type)
    @blueprint.alt_response(200, schema=_FILE, content_type=FORMATS["xlsx"].media_type)
    @blueprint.alt_response(200, schema=_FILE, content_type=FORMATS["parquet"].media_type)
    @blueprint.alt_response(406, response="NOT_ACCEPTABLE")
    def get(self, asked: dict[str, Any]) -> Response:
        """Write out all of the shop's job lines as CSV, JSON Lines, a workbook or Parquet."""
        return _file(asked["format"] or _accepted(), asked["known_at"])


def _accepted() -> str:
    """The format the Accept header likes best; CSV where it names none."""
    kinds = {one.media_type: kind for kind, one in FORMATS.items()}
    best = request.accept_mimetypes.best_match(list(kinds))
    if best is None and request.accept_mimetypes:
        raise NotAcceptable(f"This comes as {', '.join(kinds)}; or ask with format={'|'.join(FORMATS)}.")
    return kinds[best] if best else "csv"


def _file(kind: str, known_at: datetime | None) -> Response:
    with reading(known_at) as session, contextlib.ExitStack() as stack:
        out = stack.enter_context(tempfile.SpooledTemporaryFile(max_size=IN_MEMORY))
        write_job_lines(session, session.get_one(Shop, shop_id()), out, kind)  # type: ignore[arg-type]
        stack.pop_all()  # closed with the response
    out.seek(0)
    form = FORMATS[kind]
    headers = {"Content-Disposition": f"attachment; filename=job-lines.{form.suffix}", "Vary": "Accept"}
    return Response(_parts(out), mimetype=form.media_type, headers=headers)


def _parts(out: Any) -> Iterator[bytes]:
    with out:
        while part := out.read(SENT_AT_ONCE):
            yield part
