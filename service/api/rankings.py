"""Which parts of a machine are likely to fail."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, day_of, reading, shop_id
from service.api.resource import Resource
from service.inspections.rank_with_evidence import answer_ranking
from service.schemas.ranking import RankingAsked, RankingReply

blueprint = Resource("rankings", __name__, url_prefix="/rankings", description="Risks of a described machine")


@blueprint.route("")
class Rankings(MethodView):
    @blueprint.arguments(RankingAsked)
    @blueprint.response(200, RankingReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Rank every part of a machine that need not be on record."""
        known_at, pool_open = asked["known_at"], app().settings.pool_open
        with reading(known_at) as session:
            reply = answer_ranking(session, shop_id(), asked, today=day_of(known_at), pool_open=pool_open)
        # Written as it is: passing hundreds of numbers through the schema takes longer than working them out.
        return app().json.response(reply)
