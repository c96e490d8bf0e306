"""The pool: what a shop shares, whether it does, and what is published."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.auth import current_actor
from service.jobs.timetable import ask_to_publish, publication_jobs
from service.pool.desk import cells_document, curves_document, pool_document, shared_document, shared_lines
from service.pool.files import in_parts
from service.pool.members import membership_document, set_membership
from service.pool.publishing import published
from service.pool.trail import note_crossing
from service.schemas.jobs import JobReply
from service.schemas.pool import (
    CellsQuery,
    CellsReply,
    CurvesReply,
    MembershipAsked,
    MembershipReply,
    PoolReply,
    PublicationsReply,
    SharedQuery,
    SharedReply,
)
from service.schemas.records import KnownAtQuery

blueprint = Resource("pool", __name__, url_prefix="/pool", description="What shops share, and what is published")


def _crossing(action: str, detail: str) -> None:
    """Every look at what belongs to all shops is written down."""
    with app().database.write() as session:
        note_crossing(session, current_actor(), action, detail, now=app().now())


@blueprint.route("")
class Pool(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, PoolReply)
    def get(self, asked: dict[str, Any]) -> Any:
        """Show the pool's rule, its publications and how the shop stands to it."""
        day = day_of(asked["known_at"])
        with reading(asked["known_at"]) as session:
            found = pool_document(session, shop_id(), day, pool_open=app().settings.pool_open)
        return app().json.response(found)


@blueprint.route("/membership")
class PoolMembership(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, MembershipReply)
    def get(self, asked: dict[str, Any]) -> Any:
        """Show whether the shop shares, and all it ever said about it."""
        with reading(asked["known_at"]) as session:
            return app().json.response(membership_document(session, shop_id(), day_of(asked["known_at"])))

    @blueprint.arguments(MembershipAsked)
    @blueprint.response(200, MembershipReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Share with the pool from a day on, or no longer; it takes effect at the next publication."""
        now, sharing = app().now(), asked["sharing"]
        with app().database.write() as session:
            row = set_membership(
                session,
                shop_id(),
                sharing=sharing,
                on=asked["from_"],
                why=asked["why"],
                by=current_actor().whom[:80],
                now=now,
            )
            detail = f"{'shares' if sharing else 'does not share'} from {row.takes_effect_on}"
            note_crossing(session, current_actor(), "pool_membership", detail, now=now, shop_id=shop_id())
            return app().json.response(membership_document(session, shop_id(), now.date()))


@blueprint.route("/shared")
class PoolShared(MethodView):
    @blueprint.arguments(SharedQuery, location="query")
    @blueprint.response(200, SharedReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """Show the shop exactly what it shares, row by row; what it would share, where `sharing` is false."""
        with reading(asked["known_at"]) as session:
            found = shared_document(
                session,
                shop_id(),
                day_of(asked["known_at"]),
                after=asked["after"],
                limit=asked["limit"],
                pseudonym_key=app().settings.pool_pseudonym_key,
            )
        return app().json.response(found)


@blueprint.route("/shared.jsonl")
class PoolSharedFile(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, {"type": "string"}, content_type="application/x-ndjson")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Response:
        """Download exactly what the shop shares, or would share, a row a line."""
        with reading(asked["known_at"]) as session:
            rows = shared_lines(session, shop_id(), pseudonym_key=app().settings.pool_pseudonym_key)
        headers = {"Content-Disposition": 'attachment; filename="shared.jsonl"'}
        return Response(in_parts(rows), mimetype="application/x-ndjson", headers=headers)


@blueprint.route("/cells")
class PoolCells(MethodView):
    @blueprint.arguments(CellsQuery, location="query")
    @blueprint.response(200, CellsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> Any:
        """List the cells of the pool that are published."""
        with reading(asked["known_at"]) as session:
            found = cells_document(session, asked["publication"], after=asked["after"], limit=asked["limit"])
        _crossing("pool_cells", f"{len(found['cells'])} cells from {asked['after']}")
        return app().json.response(found)


@blueprint.route("/curves/<component>")
class PoolCurves(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, CurvesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Show a component's published curves on the fixed distance grid."""
        with reading(asked["known_at"]) as session:
            found = curves_document(session, component)
        _crossing("pool_curves", component)
        return app().json.response(found)


@blueprint.route("/publications")
class PoolPublications(MethodView):
    @blueprint.response(200, PublicationsReply)
    def get(self) -> dict[str, Any]:
        """List the publications with what became of each cell, and the latest jobs that made them (pool steward)."""
        with app().database.read() as session:
            return {"publications": published(session), "jobs": publication_jobs(session)}

    @blueprint.response(202, JobReply)
    def post(self) -> Any:
        """Ask for the publication of the date in force; one that is out already is not made anew (pool steward)."""
        with app().database.write() as session:
            return ask_to_publish(session, current_actor().whom, app().now())
