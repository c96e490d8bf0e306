"""The shop's machines and their risks."""

from __future__ import annotations

import uuid
from typing import Any

from flask.views import MethodView

from service.api.conditions import tagged
from service.api.context import app, day_of, reading, shop_id
from service.api.pages import HEADER, listed
from service.api.resource import Resource
from service.idle_times import idle_document
from service.inspections.rank_with_evidence import ranking_reply
from service.inspections.ranking import horizon_of, rank_recorded
from service.models import Machine
from service.past import machines_then
from service.queries import machine_of, machine_version, machines_of, page_of
from service.schemas.ranking import MachineRankingQuery, RankingReply
from service.schemas.records import IdleReply, KnownAtQuery, MachineQuery, MachineReply, MachinesReply

blueprint = Resource("machines", __name__, url_prefix="/machines", description="Machines on record")


@blueprint.route("")
class Machines(MethodView):
    @blueprint.arguments(MachineQuery, location="query")
    @blueprint.response(200, MachinesReply, headers=HEADER)
    def get(self, asked: dict[str, Any]) -> Any:
        """List the shop's machines."""
        with reading(asked["known_at"]) as session:
            wanted = machines_of(
                shop_id(), reference=asked["reference"], model=asked["model"], known_at=asked["known_at"]
            )
            part = page_of(session, wanted, Machine, asked)
            rows = machines_then(session, part.rows)
        return listed("machines", rows, part)


@blueprint.route("/<uuid:machine_id>")
class OneMachine(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, MachineReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], machine_id: uuid.UUID) -> Any:
        """Show one machine."""
        with reading(asked["known_at"]) as session:
            version = machine_version(session, shop_id(), machine_id)
            return tagged(version, lambda: machine_of(session, shop_id(), machine_id))


@blueprint.route("/<uuid:machine_id>/idle")
class MachineIdle(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, IdleReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], machine_id: uuid.UUID) -> dict[str, Any]:
        """Show when a machine stood, inferred from its readings."""
        with reading(asked["known_at"]) as session:
            return idle_document(session, machine_of(session, shop_id(), machine_id))


@blueprint.route("/<uuid:machine_id>/ranking")
class MachineRanking(MethodView):
    @blueprint.arguments(MachineRankingQuery, location="query")
    @blueprint.response(200, RankingReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def get(self, asked: dict[str, Any], machine_id: uuid.UUID) -> dict[str, Any]:
        """Rank every part of a machine on record."""
        with reading(asked["known_at"]) as session:
            ranking, snapshot = rank_recorded(
                session,
                shop_id(),
                machine_id,
                as_of=asked["as_of"] or day_of(asked["known_at"]),
                horizon=horizon_of(asked["distance_km"], asked["months"]),
                level=asked["level"],
                pool_open=app().settings.pool_open,
            )
            return ranking_reply(ranking, snapshot, {})
