"""Pages: the shop's own records to keep, and how all of the installation is kept safe."""

from __future__ import annotations

import tempfile
from typing import Any

from flask import Blueprint, Response, render_template
from sqlalchemy import func, select

from service.errors import NotFound
from service.exports import FORMATS, write_job_lines
from service.models import JobLine, Machine, Photo, Shop
from service.web.current import app, current
from service.web.gate import require_role

blueprint = Blueprint("copies", __name__, url_prefix="/copies")
IN_MEMORY = 8 * 2**20
OFFERED = ("csv", "xlsx", "jsonl")


@blueprint.get("")
@require_role("owner")
def index() -> Any:
    """Say what there is to keep, and how."""
    with app().database.read() as session:
        counts = {
            name: session.scalar(select(func.count(model.id)).where(model.shop_id == current.shop_id)) or 0
            for name, model in (("machines", Machine), ("lines", JobLine), ("photos", Photo))
        }
    return render_template("shop/copies.html", counts=counts, offered=OFFERED)


@blueprint.get("/job-lines.<string:suffix>")
@require_role("owner")
def file(suffix: str) -> Response:
    """Give all job lines of the shop as a file that can be taken in again."""
    if suffix not in OFFERED:
        raise NotFound("there is no such file; csv, xlsx and jsonl can be had")
    with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as out:
        with app().database.read() as session:
            write_job_lines(session, session.get_one(Shop, current.shop_id), out, suffix)  # type: ignore[arg-type]
        out.seek(0)
        content = out.read()
    headers = {"Content-Disposition": f"attachment; filename=job-lines.{suffix}"}
    return Response(content, mimetype=FORMATS[suffix].media_type, headers=headers)
