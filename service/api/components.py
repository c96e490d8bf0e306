"""The catalogue's component types."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.catalogue import current_catalogue
from service.component_risk import component_risk
from service.schemas.component_risk import RiskQuery, RiskReply
from service.schemas.records import ComponentsReply

blueprint = Resource("components", __name__, url_prefix="/components", description="Component types")


@blueprint.route("")
class Components(MethodView):
    @blueprint.response(200, ComponentsReply)
    def get(self) -> dict[str, Any]:
        """List the component types of the catalogue, with their invented priors."""
        with app().database.read() as session:
            catalogue = current_catalogue(session)
        return {
            "version": catalogue.version,
            "components": [
                {
                    "slug": c.slug,
                    "name": c.name,
                    "system": c.system,
                    "safety_class": c.safety_class,
                    "policy": c.policy,
                    "position_rule": c.position_rule,
                    "positions": list(c.positions),
                    "access_group": c.access_group,
                    "life": {
                        "shape": c.life.shape,
                        "scale_km": c.life.scale_km,
                        "scale_years": c.life.scale_years,
                        "mark": c.life.mark,
                    },
                }
                for c in catalogue.components
            ],
        }


@blueprint.route("/<string:component>/risk")
class ComponentRisk(MethodView):
    @blueprint.arguments(RiskQuery, location="query")
    @blueprint.response(200, RiskReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], component: str) -> Any:
        """Show how parts of a component fare on a model: curves with intervals, numbers at risk, hazards by band."""
        with reading(asked["known_at"]) as session:
            found = component_risk(session, shop_id(), component, asked, pool_open=app().settings.pool_open)
        return app().json.response(found)
