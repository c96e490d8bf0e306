"""Assemble the web application from settings, database, error handling, authorisation and resources."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import quote_from_bytes

from flask import Flask, Request
from werkzeug.middleware.proxy_fix import ProxyFix

from service.api import register_api
from service.auth import require_token
from service.db import Database
from service.error_handlers import register_error_handlers
from service.json_input import StrictJsonProvider
from service.rate_hooks import register_rate_limits
from service.rate_limits import RateLimiter
from service.request_limits import register_request_limits
from service.request_log import register_request_log
from service.security_headers import register_security_headers
from service.settings import Settings
from service.web import register_web

ASCII = bytes(range(128))


class PlainRequest(Request):
    """A request whose query is ASCII, as it should have come."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        if not self.query_string.isascii():  # Werkzeug raises on bytes that are no UTF-8
            self.query_string = quote_from_bytes(self.query_string, safe=ASCII).encode("ascii")


class WeakspotApp(Flask):
    """Flask with our JSON reading; keeps the settings and the database it was built with."""

    json_provider_class = StrictJsonProvider
    request_class = PlainRequest
    settings: Settings
    database: Database
    limiters: list[RateLimiter]

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The function itself: no view here is asynchronous, and looking each time is a tenth of a short answer."""
        return func

    def now(self) -> datetime:
        """The moment a request is handled; tests replace it."""
        return datetime.now(UTC)

    def today(self) -> date:
        """The date a request is handled."""
        return self.now().date()

    def dispose(self) -> None:
        """Close all pooled connections."""
        for limiter in self.limiters:
            limiter.dispose()
        self.database.dispose()


def build_app(settings: Settings | None = None, database: Database | None = None) -> WeakspotApp:
    """The application over a database that has been migrated and holds a catalogue."""
    settings = settings or Settings.from_environment()
    settings.prepare()
    app = WeakspotApp("service", template_folder="web/templates", static_folder="web/static")
    app.settings = settings
    app.database = database or Database(
        settings.database_url,
        synchronous=settings.sqlite_synchronous,
        statement_seconds=settings.request_seconds,
    )
    app.config["MAX_CONTENT_LENGTH"] = settings.max_upload_mb * 1024 * 1024
    # What comes after a request runs in the opposite order: the log line is written last.
    register_request_log(app, counted=bool(settings.metrics_token))
    register_security_headers(app)
    register_error_handlers(app)
    register_request_limits(
        app, upload_mb=settings.max_upload_mb, json_mb=settings.max_json_mb, seconds=settings.request_seconds
    )
    app.before_request(require_token)
    app.limiters = register_rate_limits(app, settings)
    register_api(app)
    register_web(app)
    if settings.proxies:
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=settings.proxies, x_proto=settings.proxies)  # type: ignore[method-assign]
    return app
