"""Is the server up."""

from __future__ import annotations

from flask import Blueprint

blueprint = Blueprint("health", __name__)


@blueprint.get("/health")
def health() -> dict[str, str]:
    """Answer that the process is up; needs no token and touches no database."""
    return {"status": "up"}
