"""Job lines out, in the form they came in."""

from __future__ import annotations

import io

from flask import Response
from flask.views import MethodView

from service.api.context import app, shop_id
from service.api.resource import Resource
from service.exports import export_job_lines
from service.models import Shop

blueprint = Resource("exports", __name__, url_prefix="/exports", description="Job-line files")


@blueprint.route("/job-lines.csv")
class JobLines(MethodView):
    @blueprint.response(200, {"type": "string"}, content_type="text/csv")
    def get(self) -> Response:
        """Write out all of the shop's job lines as CSV; the import takes it back unchanged."""
        out = io.StringIO(newline="")
        with app().database.read() as session:
            export_job_lines(session, session.get_one(Shop, shop_id()), out)
        return Response(
            out.getvalue(),
            mimetype="text/csv",
            headers={"Content-Disposition": "attachment; filename=job-lines.csv"},
        )
