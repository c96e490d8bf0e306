"""Orders of work in which the order matters: recommissioning a machine that stood."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.inspections.recommission import work_order, work_orders
from service.schemas.work_orders import WorkOrderQuery, WorkOrderReply, WorkOrdersReply

blueprint = Resource("work_orders", __name__, url_prefix="/work-orders", description="Orders of work")


@blueprint.route("")
class WorkOrders(MethodView):
    @blueprint.response(200, WorkOrdersReply)
    def get(self) -> dict[str, Any]:
        """List the orders of work there are."""
        with app().database.read() as session:
            return {"work_orders": work_orders(session)}


@blueprint.route("/<string:order_id>")
class OneWorkOrder(MethodView):
    @blueprint.arguments(WorkOrderQuery, location="query")
    @blueprint.response(200, WorkOrderReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], order_id: str) -> dict[str, Any]:
        """Lay an order of work out for a machine: cautions, what not to do too early, steps, what to buy."""
        known_at = asked["known_at"]
        with reading(known_at) as session:
            return work_order(session, shop_id(), order_id, asked, today=day_of(known_at), settings=app().settings)
