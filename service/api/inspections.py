"""Inspections: started, added to, taken up again, closed."""

from __future__ import annotations

import hashlib
import uuid
from contextlib import closing
from typing import Any

from flask import Response, request, url_for
from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.pages import HEADER, listed
from service.api.resource import Resource
from service.inspections.photos import kept_photo, path_of, photo_of, photo_reply
from service.inspections.standing import stand
from service.inspections.visit_view import found_reply, inspection_reply, listed_reply, outcome_reply
from service.inspections.visits import add_finding, add_outcome, close, start
from service.models import Inspection
from service.queries import inspections_of, machine_of, page_of
from service.schemas.inspection import (
    FindingAsked,
    FoundReply,
    InspectionAsked,
    InspectionReply,
    InspectionsQuery,
    InspectionsReply,
    PhotoFile,
    PhotoQuery,
    PhotoReply,
    StripDownAsked,
    StripDownReply,
)
from service.schemas.records import KnownAtQuery

blueprint = Resource("inspections", __name__, url_prefix="/inspections", description="Inspections and their findings")


@blueprint.route("")
class Inspections(MethodView):
    @blueprint.arguments(InspectionsQuery, location="query")
    @blueprint.response(200, InspectionsReply, headers=HEADER)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any]) -> Any:
        """List the shop's inspections."""
        with reading(asked["known_at"]) as session:
            machine = None if asked["machine_id"] is None else machine_of(session, shop_id(), asked["machine_id"]).id
            wanted = inspections_of(session, shop_id(), machine_id=machine, still_open=asked["open"])
            part = page_of(session, wanted, Inspection, asked)
        return listed("inspections", [listed_reply(row, asked["known_at"]) for row in part.rows], part)

    @blueprint.arguments(InspectionAsked)
    @blueprint.response(201, InspectionReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Start an inspection: keep what was asked, answer with the plan."""
        with app().database.write() as session:
            row = start(session, shop_id(), asked, now=app().now(), today=app().today(), settings=app().settings)
            reply = inspection_reply(session, stand(session, shop_id(), row.public_id, app().settings), app().settings)
        return reply, 201, {"Location": url_for("inspections.OneInspection", inspection_id=row.public_id)}


@blueprint.route("/<uuid:inspection_id>")
class OneInspection(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, InspectionReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> dict[str, Any]:
        """Show an inspection: safety defects, plan of the rest, next best check, every part's chance."""
        with reading(asked["known_at"]) as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            return inspection_reply(session, standing, app().settings)


@blueprint.route("/<uuid:inspection_id>/findings")
class Findings(MethodView):
    @blueprint.arguments(FindingAsked)
    @blueprint.response(201, FoundReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> dict[str, Any]:
        """Record what a check found; it is judged at once, the rest planned again."""
        settings = app().settings
        digest = hashlib.sha256(request.get_data(cache=True)).digest()
        with app().database.write() as session:
            before = stand(session, shop_id(), inspection_id, settings)
            finding, _ = add_finding(session, before, asked, digest=digest, now=app().now())
            session.expire_all()
            now = stand(session, shop_id(), inspection_id, settings)
            return found_reply(before.without(finding), now, finding, settings)


@blueprint.route("/<uuid:inspection_id>/photos")
class Photos(MethodView):
    @blueprint.arguments(PhotoQuery, location="query")
    @blueprint.arguments(PhotoFile, location="files")
    @blueprint.response(201, PhotoReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], files: dict[str, Any], inspection_id: uuid.UUID) -> Any:
        """Keep a photo of an inspection."""
        settings = app().settings
        with closing(files["photo"]), app().database.write() as session:
            standing = stand(session, shop_id(), inspection_id, settings)
            with kept_photo(session, standing, files["photo"].stream, asked, settings, app().now()) as photo:
                reply = photo_reply(photo, {row.id: row.public_id for row in standing.rows})
        where = url_for("inspections.OnePhoto", inspection_id=inspection_id, photo_id=photo.public_id)
        return reply, 201, {"Location": where}


@blueprint.route("/<uuid:inspection_id>/photos/<uuid:photo_id>")
class OnePhoto(MethodView):
    @blueprint.response(200, {"type": "string", "format": "binary"}, content_type="image/*")
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, inspection_id: uuid.UUID, photo_id: uuid.UUID) -> Response:
        """Send back a photo."""
        settings = app().settings
        with app().database.read() as session:
            photo = photo_of(session, stand(session, shop_id(), inspection_id, settings), photo_id)
        content = path_of(photo, settings).read_bytes()
        headers = {"X-Content-Type-Options": "nosniff", "Content-Disposition": "inline"}
        return Response(content, mimetype=photo.content_type, headers=headers)


@blueprint.route("/<uuid:inspection_id>/outcomes")
class Outcomes(MethodView):
    @blueprint.arguments(StripDownAsked)
    @blueprint.response(201, StripDownReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> dict[str, Any]:
        """Record whether it was the part: what a part turned out to be once opened or renewed."""
        with app().database.write() as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            return outcome_reply(add_outcome(session, standing, asked, now=app().now()))


@blueprint.route("/<uuid:inspection_id>/close")
class Close(MethodView):
    @blueprint.response(200, InspectionReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def post(self, inspection_id: uuid.UUID) -> dict[str, Any]:
        """Close an inspection: nothing is added to it any more but what its parts turned out to be."""
        with app().database.write() as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            close(standing.row, app().now())
            return inspection_reply(session, standing, app().settings)
