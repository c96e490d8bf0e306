"""What to look at first, inside the minutes."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.inspections.plans import plan_described
from service.schemas.plan import PlanAsked, PlanReply

blueprint = Resource("plans", __name__, url_prefix="/plans", description="Inspection plans for a described machine")


@blueprint.route("")
class Plans(MethodView):
    @blueprint.arguments(PlanAsked)
    @blueprint.response(200, PlanReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Plan the inspection of a machine that need not be on record."""
        known_at = asked["known_at"]
        with reading(known_at) as session:
            plan = plan_described(session, shop_id(), asked, today=day_of(known_at), settings=app().settings)
        return plan.to_dict()
