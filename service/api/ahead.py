"""The shop's fleet ahead: failures to come, spares to hold, intervals, models compared."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.auth import current_actor
from service.changes_over_time import changes_over_time
from service.estimates import pool_is_open
from service.intervals import interval_changes, priced_outlook
from service.model_comparisons import model_comparisons
from service.outlooks import spares_to_hold
from service.people.access_log import note_access
from service.renewal_advice import block_advice, renewal_advice
from service.schemas.ahead import (
    BlockAsked,
    BlockReply,
    ChangesQuery,
    ChangesReply,
    ComparisonsQuery,
    ComparisonsReply,
    GroupsQuery,
    GroupsReply,
    IntervalsQuery,
    IntervalsReply,
    LogReply,
    OutlookQuery,
    OutlookReply,
    RenewalQuery,
    RenewalReply,
    SparesQuery,
    SparesReply,
    models_of,
)
from service.schemas.records import KnownAtQuery
from service.shop_habits import groups_of, log_marks

blueprint = Resource("ahead", __name__, description="What to renew before it fails, what to hold, what is weak")


@blueprint.route("/fleet/outlook")
class FleetOutlook(MethodView):
    @blueprint.arguments(OutlookQuery, location="query")
    @blueprint.response(200, OutlookReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """Expect failures of the shop's machines over the coming months, and what they cost."""
        day = asked["as_of"] or day_of(asked["known_at"])
        with reading(asked["known_at"]) as session:
            found = priced_outlook(session, shop_id(), settings=app().settings, asked={**asked, "as_of": day})
        return app().json.response(found)


@blueprint.route("/fleet/intervals/<component>")
class Intervals(MethodView):
    @blueprint.arguments(IntervalsQuery, location="query")
    @blueprint.response(200, IntervalsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Say what changes over the coming months if a component's interval changes."""
        day = asked["as_of"] or day_of(asked["known_at"])
        with reading(asked["known_at"]) as session:
            found = interval_changes(
                session, shop_id(), component, settings=app().settings, asked={**asked, "as_of": day}
            )
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
        known_at = asked.pop("known_at")
        day = asked.pop("as_of") or day_of(known_at)
        with reading(known_at) as session:
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
        with reading(asked["known_at"]) as session:
            found = renewal_advice(session, shop_id(), component, asked, pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/renewal-blocks")
class RenewalBlocks(MethodView):
    @blueprint.arguments(BlockAsked)
    @blueprint.response(200, BlockReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Say whether to renew all parts behind one cover together, and how often; nothing is stored."""
        with reading(asked["known_at"]) as session:
            found = block_advice(session, shop_id(), asked, pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/changes")
class Changes(MethodView):
    @blueprint.arguments(ChangesQuery, location="query")
    @blueprint.response(200, ChangesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """List what changed by build date, over the calendar or with a campaign, with the rate of false alerts."""
        with reading(asked.pop("known_at")) as session:
            found = changes_over_time(session, shop_id(), pool_open=app().settings.pool_open, **asked)
        return app().json.response(found)


@blueprint.route("/comparisons/<component>/groups")
class Groups(MethodView):
    @blueprint.arguments(GroupsQuery, location="query")
    @blueprint.response(200, GroupsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Hold the shop and its policy against the others, and machines against each other by use."""
        with reading(asked["known_at"]) as session:
            found = groups_of(session, shop_id(), component, asked=asked, pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/log-marks")
class LogMarks(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, LogReply)
    def get(self, asked: dict[str, Any]) -> Any:
        """Show the marks of how the shop's log is kept, and what they say against its chances."""
        with reading(asked["known_at"]) as session:
            found = log_marks(session, shop_id(), pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/comparisons/<component>")
class Comparisons(MethodView):
    @blueprint.arguments(ComparisonsQuery, location="query")
    @blueprint.response(200, ComparisonsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Compare models for one component at equal distance and age."""
        with reading(asked["known_at"]) as session:
            suspected = models_of(asked["suspected"])
            found = model_comparisons(
                session, shop_id(), component, pool_open=app().settings.pool_open, suspected=suspected
            )
            pooled = pool_is_open(session, pool_open=app().settings.pool_open)
        if pooled:
            with app().database.write() as session:
                note_access(
                    session, current_actor(), "models compared", shop_id=None, detail=component, now=app().now()
                )
        return app().json.response(found)
