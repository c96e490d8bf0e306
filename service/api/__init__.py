"""HTTP resources under /api/v1, one blueprint each, and the OpenAPI document that describes them."""

from __future__ import annotations

from typing import Any

from flask import Flask

from service.api.accuracies import blueprint as accuracies
from service.api.ahead import blueprint as ahead
from service.api.bills import blueprint as bills
from service.api.card_texts import blueprint as card_texts
from service.api.checks import blueprint as checks
from service.api.components import blueprint as components
from service.api.docs import blueprint as docs
from service.api.exports import blueprint as exports
from service.api.facts import blueprint as facts
from service.api.fleet_work import blueprint as fleet_work
from service.api.health import blueprint as health
from service.api.import_settings import blueprint as import_settings
from service.api.imports import blueprint as imports
from service.api.inspections import blueprint as inspections
from service.api.job_lines import blueprint as job_lines
from service.api.jobs import blueprint as jobs
from service.api.limit_edits import blueprint as limit_edits
from service.api.machines import blueprint as machines
from service.api.measurements import blueprint as measurements
from service.api.people import accesses, people, shop, tokens
from service.api.plans import blueprint as plans
from service.api.pool import blueprint as pool
from service.api.prints import blueprint as prints
from service.api.rankings import blueprint as rankings
from service.api.resource import ProblemApi
from service.api.reviews import blueprint as reviews
from service.api.work_orders import blueprint as work_orders

PREFIX = "/api/v1"


def register_api(app: Flask) -> None:
    """Attach every resource and the OpenAPI 3.1 document."""
    app.config.update(
        API_TITLE="Weakspot",
        API_VERSION="v1",
        OPENAPI_VERSION="3.1.0",
        OPENAPI_URL_PREFIX=PREFIX,
        OPENAPI_JSON_PATH="openapi.json",
        API_SPEC_OPTIONS=_spec_options(),
    )
    api = ProblemApi(app)
    for blueprint in (
        rankings,
        plans,
        inspections,
        prints,
        measurements,
        checks,
        bills,
        work_orders,
        accuracies,
        limit_edits,
        machines,
        components,
        ahead,
        pool,
        fleet_work,
        imports,
        facts,
        import_settings,
        card_texts,
        jobs,
        job_lines,
        reviews,
        exports,
        tokens,
        people,
        accesses,
        shop,
    ):
        api.register_blueprint(blueprint, url_prefix=PREFIX + (blueprint.url_prefix or ""))
    app.register_blueprint(health)
    app.register_blueprint(docs, url_prefix=PREFIX)


def _spec_options() -> dict[str, Any]:
    return {
        "info": {"description": "Maintenance histories in, what to inspect first out."},
        "components": {"securitySchemes": {"bearer": {"type": "http", "scheme": "bearer"}}},
        "security": [{"bearer": []}],
    }
