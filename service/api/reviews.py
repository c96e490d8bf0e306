"""What is in doubt, and its answers."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.pages import HEADER, link_header
from service.api.resource import Resource
from service.corrections import Author
from service.imports.words import catalogue_words
from service.log_figures import doubt_share, kept_share, missing_readings
from service.models import Doubt
from service.queries import doubt_counts, page_of
from service.review_answers import answer_doubts
from service.reviews import doubts_of, review_documents
from service.schemas.reviews import AnswersAsked, AnswersReply, ReviewQuery, ReviewsReply

blueprint = Resource("reviews", __name__, url_prefix="/reviews", description="Rows in doubt")


@blueprint.route("")
class Reviews(MethodView):
    @blueprint.arguments(ReviewQuery, location="query")
    @blueprint.response(200, ReviewsReply, headers=HEADER)
    def get(self, asked: dict[str, Any]) -> Any:
        """List what is in doubt, or was at a past moment, with the evidence and the answers it takes."""
        shop = shop_id()
        edges = {name: asked.pop(name) for name in ("after", "before", "limit")}
        with reading(asked["known_at"]) as session:
            part = page_of(session, doubts_of(shop, **asked), Doubt, edges)
            reply = {
                "doubts": review_documents(session, part.rows, catalogue_words(session, shop)),
                "counts": doubt_counts(session, shop, None),
                "missing_readings": missing_readings(session, shop),
                "next": part.next,
                **kept_share(session, shop),
            }
        return reply, 200, link_header(part)


@blueprint.route("/answers")
class Answers(MethodView):
    @blueprint.arguments(AnswersAsked)
    @blueprint.response(201, AnswersReply)
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Answer doubts, all or none; each line is superseded by one that bears the answer."""
        author = Author(asked["by"], asked["why"], app().now(), app().today())
        with app().database.write() as session:
            done = answer_doubts(session, shop_id(), asked["answers"], author)
            return {**done, **doubt_share(session, shop_id())}
