"""The shop's fleet ahead: failures to come, spares to hold, intervals, models compared."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, shop_id
from service.api.resource import Resource
from service.auth import current_actor
from service.estimates import pool_is_open
from service.model_comparisons import model_comparisons
from service.outlooks import fleet_outlook, spares_to_hold
from service.people.access_log import note_access
from service.renewal_advice import renewal_advice
from service.schemas.ahead import (
    ComparisonsReply,
    OutlookQuery,
    OutlookReply,
    RenewalQuery,
    RenewalReply,
    SparesQuery,
    SparesReply,
)

blueprint = Resource("ahead", __name__, description="What to renew before it fails, what to hold, what is weak")


@blueprint.route("/fleet/outlook")
class FleetOutlook(MethodView):
    @blueprint.arguments(OutlookQuery, location="query")
    @blueprint.response(200, OutlookReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """Expect failures of the shop's machines over the coming months."""
        day = asked.pop("as_of") or app().today()
        with app().database.read() as session:
            found = fleet_outlook(session, shop_id(), as_of=day, pool_open=app().settings.pool_open, **asked)
        return app().json.response(found)


@blueprint.route("/spares/<component>")
class Spares(MethodView):
    @blueprint.arguments(SparesQuery, location="query")
    @blueprint.response(200, SparesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Say how many of a component to hold over a lead time."""
        day = asked.pop("as_of") or app().today()
        with app().database.read() as session:
            found = spares_to_hold(
                session, shop_id(), component, as_of=day, pool_open=app().settings.pool_open, **asked
            )
        return app().json.response(found)


@blueprint.route("/renewals/<component>")
class Renewals(MethodView):
    @blueprint.arguments(RenewalQuery, location="query")
    @blueprint.response(200, RenewalReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Find the cheapest age to renew a component on purpose, or say why there is none."""
        with app().database.read() as session:
            found = renewal_advice(session, shop_id(), component, asked, pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/comparisons/<component>")
class Comparisons(MethodView):
    @blueprint.response(200, ComparisonsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, component: str) -> Any:
        """Compare models for one component at equal distance and age."""
        with app().database.read() as session:
            found = model_comparisons(session, shop_id(), component, pool_open=app().settings.pool_open)
            pooled = pool_is_open(session, pool_open=app().settings.pool_open)
        if pooled:
            with app().database.write() as session:
                note_access(
                    session, current_actor(), "models compared", shop_id=None, detail=component, now=app().now()
                )
        return app().json.response(found)
