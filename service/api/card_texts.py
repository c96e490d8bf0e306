"""Job cards as they were written, in free text."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, shop_id
from service.api.resource import Resource
from service.card_texts import take_card
from service.schemas.card_texts import CardTextAsked, CardTextReply

blueprint = Resource("card_texts", __name__, url_prefix="/card-texts", description="Cards in free text")


@blueprint.route("")
class CardTexts(MethodView):
    @blueprint.arguments(CardTextAsked)
    @blueprint.response(201, CardTextReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Take a card's raw lines in; what they leave open goes to the review list, never into a fit."""
        with app().database.write() as session:
            return take_card(session, shop_id(), asked, now=app().now())
