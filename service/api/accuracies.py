"""How good the checks turned out to be, learnt from parts that were opened."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.catalogue import current_catalogue
from service.inspections.learning import accuracies_document, taught_catalogue
from service.schemas.accuracies import AccuraciesReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("accuracies", __name__, url_prefix="/accuracies", description="Accuracy of the checks")


@blueprint.route("")
class Accuracies(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, AccuraciesReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List the checks whose accuracy strip-downs have taught, beside the invented figures they started from."""
        with reading(asked["known_at"]) as session:
            catalogue = current_catalogue(session)
            taught = taught_catalogue(session, shop_id(), catalogue, pool_open=app().settings.pool_open)
            return accuracies_document(taught)
