"""Limits a shop adds beside the catalogue's, and their history."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.catalogue import current_catalogue
from service.inspections.limit_edits import add_version, base_limit, history_document, version_document
from service.schemas.limit_edits import LimitEditAsked, LimitHistoryReply, LimitVersionReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("limit_edits", __name__, url_prefix="/limits", description="Limits added by the shop")


@blueprint.route("/<string:limit_id>/versions")
class LimitVersions(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, LimitHistoryReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], limit_id: str) -> dict[str, Any]:
        """Show what the catalogue says and every version the shop added, with who wrote it and why."""
        with reading(asked["known_at"]) as session:
            return history_document(session, shop_id(), limit_id, current_catalogue(session))

    @blueprint.arguments(LimitEditAsked)
    @blueprint.response(201, LimitVersionReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], limit_id: str) -> dict[str, Any]:
        """Add a version for a model, a family or a region; the catalogue's own limit stays."""
        with app().database.write() as session:
            catalogue = current_catalogue(session)
            row = add_version(session, shop_id(), limit_id, asked, catalogue, now=app().now())
            return version_document(row, base_limit(limit_id, catalogue), in_force=not asked["withdrawn"])
