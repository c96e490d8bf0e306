"""Weakspot's service: records, imports, rankings and plans over HTTP and on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from service.settings import Settings


def create_app(settings: Settings | None = None) -> Flask:
    """Build the web application; nothing connects or is read from the environment before this is called."""
    from service.app import build_app  # Flask is not loaded for those who only want the records
    from service.logs import configure_logs
    from service.request_log import request_secrets
    from service.settings import Settings

    settings = settings or Settings.from_environment()
    configure_logs(settings.log_format, settings.log_level, secrets=request_secrets)
    return build_app(settings)
