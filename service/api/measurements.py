"""Readings judged without keeping them."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.inspections.judging_desk import judge_alone
from service.schemas.evidence import JudgeAsked, JudgedReply

blueprint = Resource("measurements", __name__, url_prefix="/measurements", description="Readings and their limits")


@blueprint.route("/judge")
class Judge(MethodView):
    @blueprint.arguments(JudgeAsked)
    @blueprint.response(200, JudgedReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Judge a measurement by the limit that applies; nothing is kept."""
        with reading(asked["known_at"]) as session:
            return judge_alone(session, shop_id(), asked, pool_open=app().settings.pool_open)
