"""The catalogue's component types."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView

from service.api.context import app
from service.api.resource import Resource
from service.catalogue import current_catalogue
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
