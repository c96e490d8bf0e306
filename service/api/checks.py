"""What the catalogue holds for an inspection: checks, limits, symptoms, facts."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.inspections.judging_desk import check_reply, checks_reply, facts_reply, limits_reply, symptoms_reply
from service.inspections.limits_on_file import limits_for
from service.inspections.serving import snapshot_for
from service.schemas.checks import CheckReply, ChecksReply, FactsReply, LimitsQuery, LimitsReply, SymptomsReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("checks", __name__, description="Checks, limits, symptoms and facts")


def _catalogue(known_at: datetime | None = None, region: str | None = None) -> Any:
    """The catalogue as this shop uses it: its own limits, and what strip-downs have taught, by a moment (None: now)."""
    with reading(known_at) as session:
        snapshot = snapshot_for(session, shop_id(), pool_open=app().settings.pool_open)
        return limits_for(session, shop_id(), snapshot.catalogue, None, region=region)


@blueprint.route("/checks")
class Checks(MethodView):
    @blueprint.response(200, ChecksReply)
    def get(self) -> dict[str, Any]:
        """List checks and their quick variants."""
        return checks_reply(_catalogue())


@blueprint.route("/checks/<string:check_id>")
class OneCheck(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, CheckReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], check_id: str) -> dict[str, Any]:
        """Show how a check is done and judged, cautions first."""
        return check_reply(check_id, _catalogue(asked["known_at"]))


@blueprint.route("/limits")
class Limits(MethodView):
    @blueprint.arguments(LimitsQuery, location="query")
    @blueprint.response(200, LimitsReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List limits with source, date and region."""
        return limits_reply(_catalogue(asked["known_at"], asked["region"]), asked)


@blueprint.route("/symptoms")
class Symptoms(MethodView):
    @blueprint.response(200, SymptomsReply)
    def get(self) -> dict[str, Any]:
        """List symptoms with what each raises and lowers (invented priors)."""
        return symptoms_reply(_catalogue())


@blueprint.route("/facts")
class Facts(MethodView):
    @blueprint.response(200, FactsReply)
    def get(self) -> dict[str, Any]:
        """List facts of a machine's history with what each raises and lowers (invented priors)."""
        return facts_reply(_catalogue())
