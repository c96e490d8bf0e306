"""Job lines on record, their corrections and what they have to do with one another."""

from __future__ import annotations

import uuid
from typing import Any

from flask import url_for
from flask.views import MethodView
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service import records
from service.api.conditions import tagged
from service.api.context import app, reading, shop_id
from service.api.pages import HEADER, link_header
from service.api.resource import Resource
from service.corrections import Author, add_link, line_in_force, settle_all, shop_row, supersede, trail_of, undo_link
from service.errors import Conflict, InvalidInput
from service.imports.refresh import refresh_machines
from service.imports.words import catalogue_words
from service.line_documents import line_document, page_of_lines, plain, shown_lines
from service.line_entry import Entered, enter_lines
from service.line_surroundings import surroundings
from service.models import JobLine, LineLink, Machine
from service.queries import line_of, line_versions, link_of, refuse_unknown_component
from service.schemas.new_lines import EnteredLinesReply, EnteredReply, JobLineAsked, JobLinesAsked
from service.schemas.reviews import (
    CorrectionAsked,
    LinesQuery,
    LinesReply,
    LineTrailReply,
    LinkAsked,
    LinkReply,
    UndoAsked,
)
from service.vocabulary import LINKS_THAT_REMOVE

blueprint = Resource("job_lines", __name__, url_prefix="/job-lines", description="Lines of job cards")


@blueprint.route("")
class JobLines(MethodView):
    @blueprint.arguments(LinesQuery, location="query")
    @blueprint.response(200, LinesReply, headers=HEADER)
    def get(self, asked: dict[str, Any]) -> Any:
        """List the lines in force, or those that were at an earlier moment."""
        with reading(asked["known_at"]) as session:
            if asked["component"] is not None:
                refuse_unknown_component(session, asked["component"])
            versions = line_versions(session, shop_id(), asked["machine"])
            return tagged(versions, lambda: self._part(session, asked))

    @staticmethod
    def _part(session: Session, asked: dict[str, Any]) -> Any:
        part = page_of_lines(session, shop_id(), asked)
        lines = [plain(line_document(row)) for row in part.rows]
        reply = app().json.response({"lines": lines, "next": part.next})
        reply.headers.update(link_header(part))
        return reply

    @blueprint.arguments(JobLineAsked)
    @blueprint.response(201, EnteredReply)
    @blueprint.alt_response(200, schema=EnteredReply, description="Exactly this line was on record already")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Write a line down; the machine, where it is new, with it."""
        with app().database.write() as session:
            entered = enter_lines(session, shop_id(), [asked], now=app().now(), today=app().today(), one=True)
            (line,) = map(_entered_document, entered)
        reply = app().json.response(line)
        reply.status_code = 201 if line["created"] else 200
        reply.location = url_for("job_lines.OneLine", line_id=line["id"])
        return reply


@blueprint.route("/bulk")
class BulkLines(MethodView):
    @blueprint.arguments(JobLinesAsked)
    @blueprint.response(201, EnteredLinesReply)
    @blueprint.alt_response(200, schema=EnteredLinesReply, description="All of these lines were on record already")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Write lines down, all or none; every cell that cannot be used is named."""
        with app().database.write() as session:
            entered = enter_lines(session, shop_id(), asked["lines"], now=app().now(), today=app().today())
            lines = list(map(_entered_document, entered))
        created = sum(line["created"] for line in lines)
        reply = app().json.response(
            {"lines": lines, "created": created, "in_doubt": sum(line["in_doubt"] for line in lines)}
        )
        reply.status_code = 201 if created else 200
        return reply


@blueprint.route("/<uuid:line_id>")
class OneLine(MethodView):
    @blueprint.response(200, LineTrailReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, line_id: uuid.UUID) -> Any:
        """Show a line with its whole trail: as first written, every correction, and its links."""
        with app().database.read() as session:
            line = line_of(session, shop_id(), line_id)
            version = session.scalar(select(Machine.version).where(Machine.id == line.machine_id))
            return tagged((version,), lambda: _trail(session, line))


@blueprint.route("/<uuid:line_id>/corrections")
class Corrections(MethodView):
    @blueprint.arguments(CorrectionAsked)
    @blueprint.response(201, LineTrailReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], line_id: uuid.UUID) -> Any:
        """Supersede a line by one with other cells; what was written before stays on record."""
        author = _author(asked)
        with app().database.write() as session:
            shop = shop_row(session, shop_id())
            line = line_of(session, shop.id, line_id)
            new = supersede(session, line, asked["changes"], author, catalogue_words(session, shop.id))
            refresh_machines(session, shop, [line.machine_id], [line], now=author.now, today=author.today)
            session.refresh(new)
            location = url_for("job_lines.OneLine", line_id=new.public_id)
            return _trail(session, new), 201, {"Location": location}


@blueprint.route("/<uuid:line_id>/links")
class Links(MethodView):
    @blueprint.arguments(LinkAsked)
    @blueprint.response(201, LinkReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], line_id: uuid.UUID) -> dict[str, Any]:
        """Link a line to another of its machine, or withdraw it."""
        author = _author(asked)
        with app().database.write() as session:
            shop = shop_row(session, shop_id())
            line = line_of(session, shop.id, line_id)
            if line.superseded_by_id is not None:
                raise Conflict("the line has been corrected; link the line that took its place")
            other = line_of(session, shop.id, asked["to"]) if asked["to"] else None
            if other is not None and (other.machine_id != line.machine_id or other.id == line.id):
                raise InvalidInput("the other line must be another one of the same machine", pointer="/to")
            to = (other.first_id or other.id) if other else None
            link = add_link(session, line, to, asked["kind"], author)
            both = [line, other] if other is not None and asked["kind"] == "swap" else [line]
            for ended in both if asked["kind"] in (*LINKS_THAT_REMOVE, "swap") else ():
                settle_all(session, ended, author)
                records.mark_lines(session, [ended.id])
            refresh_machines(session, shop, [line.machine_id], [line], now=author.now, today=author.today)
            return _link_document(session, link)


@blueprint.route("/links/<uuid:link_id>/undo")
class UndoLink(MethodView):
    @blueprint.arguments(UndoAsked)
    @blueprint.response(200, LinkReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def post(self, asked: dict[str, Any], link_id: uuid.UUID) -> dict[str, Any]:
        """Take a link back: a line that was taken out is in again."""
        author = _author(asked)
        with app().database.write() as session:
            shop = shop_row(session, shop_id())
            link = link_of(session, shop.id, link_id)
            undo_link(session, link, author)
            line = line_in_force(session, link.line_id)
            refresh_machines(session, shop, [line.machine_id], [line], now=author.now, today=author.today)
            return _link_document(session, link)


def _author(asked: dict[str, Any]) -> Author:
    return Author(asked["by"], asked["why"], app().now(), app().today())


def _entered_document(entered: Entered) -> dict[str, Any]:
    doubts = [{**doubt, "id": str(doubt["id"])} for doubt in entered.doubts]
    return {**plain(line_document(entered.line)), "created": entered.created, "doubts": doubts}


def _trail(session: Session, line: JobLine) -> dict[str, Any]:
    origin = line.first_id or line.id
    links = session.scalars(
        select(LineLink).where(or_(LineLink.line_id == origin, LineLink.to_line_id == origin)).order_by(LineLink.id)
    )
    shown, *trail = map(line_document, shown_lines(session, [line.id, *(one.id for one in trail_of(session, line))]))
    return {
        "line": shown,
        "trail": trail,
        "links": [_link_document(session, link) for link in links],
        **surroundings(session, line),
    }


def _link_document(session: Session, link: LineLink) -> dict[str, Any]:
    ids = dict(
        session.execute(
            select(JobLine.id, JobLine.public_id).where(JobLine.id.in_([link.line_id, link.to_line_id or 0]))
        ).all()
    )
    return {
        "id": link.public_id,
        "kind": link.kind,
        "cause": link.cause,
        "job_line": ids[link.line_id],
        "to_job_line": ids[link.to_line_id] if link.to_line_id else None,
        "made_by": link.made_by,
        "made_at": link.made_at,
        "why": link.why,
        "undone_by": link.undone_by,
        "undone_at": link.undone_at,
        "undone_why": link.undone_why,
    }
