"""Work to do on the shop's fleet: the machines to bring in this week, and renewals coming due."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.due_files import as_calendar, as_csv
from service.due_work import due_work
from service.models import Shop
from service.pull_lists import week_list
from service.schemas.ahead import DueWorkQuery, DueWorkReply, PullListQuery, PullListReply

blueprint = Resource("fleet work", __name__, url_prefix="/fleet", description="Machines to bring in, renewals due")


@blueprint.route("/pull-list")
class WeekList(MethodView):
    @blueprint.arguments(PullListQuery, location="query")
    @blueprint.response(200, PullListReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """Choose the jobs worth most within the workshop's hours."""
        day = asked["as_of"] or day_of(asked["known_at"])
        given = {k: asked[k] for k in ("hours", "days_ahead", "hours_to_bring_in")}
        with reading(asked["known_at"]) as session:
            found = week_list(session, shop_id(), as_of=day, settings=app().settings, asked=asked, **given)
        return app().json.response(found)


def _due(asked: dict[str, Any]) -> tuple[dict[str, Any], str]:
    day = asked["as_of"] or day_of(asked["known_at"])
    with reading(asked["known_at"]) as session:
        found = due_work(session, shop_id(), as_of=day, days=asked["days"], settings=app().settings, asked=asked)
        return found, session.get_one(Shop, shop_id()).name


@blueprint.route("/due")
class DueWork(MethodView):
    @blueprint.arguments(DueWorkQuery, location="query")
    @blueprint.response(200, DueWorkReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """List scheduled renewals due within so many days."""
        return app().json.response(_due(asked)[0])


@blueprint.route("/due.csv")
class DueWorkTable(MethodView):
    @blueprint.arguments(DueWorkQuery, location="query")
    @blueprint.response(200, {"type": "string"}, content_type="text/csv")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Response:
        """Write scheduled renewals due as a table."""
        text = as_csv(_due(asked)[0]["due"])
        return Response(text, mimetype="text/csv", headers={"Content-Disposition": "attachment; filename=due.csv"})


@blueprint.route("/due.ics")
class DueWorkCalendar(MethodView):
    @blueprint.arguments(DueWorkQuery, location="query")
    @blueprint.response(200, {"type": "string"}, content_type="text/calendar")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Response:
        """Write scheduled renewals due as a calendar: a whole-day entry each, what is past its best age by machine."""
        found, shop = _due(asked)
        text = as_calendar(found, shop, now=asked["known_at"] or app().now())
        return Response(text, mimetype="text/calendar", headers={"Content-Disposition": "attachment; filename=due.ics"})
