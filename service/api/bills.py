"""What repairs will cost, and the prices a shop works with."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.catalogue import current_catalogue
from service.inspections.bill import bill_described
from service.inspections.prices import price_list, set_prices
from service.schemas.bill import BillAsked, BillReply, PricesAsked, PricesReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("bills", __name__, description="Repair bills and prices")


@blueprint.route("/bills")
class Bills(MethodView):
    @blueprint.arguments(BillAsked)
    @blueprint.response(200, BillReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Price what was found on a machine that need not be on record."""
        known_at = asked["known_at"]
        with reading(known_at) as session:
            bill = bill_described(session, shop_id(), asked, today=day_of(known_at), settings=app().settings)
        return bill.to_dict()


@blueprint.route("/prices")
class Prices(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, PricesReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List the prices the shop's bills are made from, its own and the catalogue's."""
        with reading(asked["known_at"]) as session:
            return price_list(session, shop_id(), app().settings).to_dict(current_catalogue(session))

    @blueprint.arguments(PricesAsked)
    @blueprint.response(200, PricesReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def put(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Set the shop's whole price list; what it does not name goes back to the catalogue's price."""
        with app().database.write() as session:
            catalogue = current_catalogue(session)
            set_prices(session, shop_id(), asked, catalogue, now=app().now())
            return price_list(session, shop_id(), app().settings).to_dict(catalogue)
