"""Assemble the web application from settings, database, error handling, authorisation and resources."""

from __future__ import annotations

from datetime import UTC, date, datetime

from flask import Flask

from service.api import register_api
from service.auth import require_token
from service.db import Database
from service.error_handlers import register_error_handlers
from service.json_input import StrictJsonProvider
from service.settings import Settings


class WeakspotApp(Flask):
    """Flask with our JSON reading; keeps the settings and the database it was built with."""

    json_provider_class = StrictJsonProvider
    settings: Settings
    database: Database

    def now(self) -> datetime:
        """The moment a request is handled; tests replace it."""
        return datetime.now(UTC)

    def today(self) -> date:
        """The date a request is handled."""
        return self.now().date()


def build_app(settings: Settings | None = None, database: Database | None = None) -> WeakspotApp:
    """The application over a database that has been migrated and holds a catalogue."""
    settings = settings or Settings.from_environment()
    settings.prepare()
    app = WeakspotApp("service", template_folder="web/templates", static_folder="web/static")
    app.settings = settings
    app.database = database or Database(settings.database_url, synchronous=settings.sqlite_synchronous)
    app.config["MAX_CONTENT_LENGTH"] = settings.max_upload_mb * 1024 * 1024
    register_error_handlers(app)
    app.before_request(require_token)
    register_api(app)
    return app
