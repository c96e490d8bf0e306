"""Every error leaves as a problem document (RFC 9457), made in this one place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from flask import Flask, Response, current_app, request
from werkzeug.exceptions import HTTPException, InternalServerError

from analytics.errors import AnalyticsError
from service.errors import DomainError

MEDIA_TYPE = "application/problem+json"


def problem(
    status: int, title: str, detail: str | None = None, *, errors: list[dict[str, str]] | None = None, **more: Any
) -> Response:
    """A problem document as a response."""
    body: dict[str, Any] = {"type": "about:blank", "title": title, "status": status}
    if detail:
        body["detail"] = detail
    if errors:
        body["errors"] = errors
    body.update(more)
    response = Response(current_app.json.dumps(body), status=status, mimetype=MEDIA_TYPE)
    if status == 401:
        response.headers["WWW-Authenticate"] = "Bearer"
    return response


def register_error_handlers(app: Flask) -> None:
    """Map domain errors, refusals of the analytics and HTTP errors once, for every route."""

    @app.errorhandler(DomainError)
    def _domain(error: DomainError) -> Response:
        errors = [{"pointer": error.pointer, "detail": error.detail}] if error.pointer else None
        return problem(error.status, error.title, error.detail, errors=errors, **error.extensions())

    @app.errorhandler(AnalyticsError)
    def _refused(error: AnalyticsError) -> Response:
        return problem(422, "Not estimable", str(error))

    @app.errorhandler(HTTPException)
    def _http(error: HTTPException) -> Response:
        status = error.code or 500
        errors, detail = None, error.description
        data = getattr(error, "data", None)
        if isinstance(data, Mapping) and "messages" in data:
            errors = list(_pointers(data["messages"]))
            detail = "The request does not fit its description; each error points at the place."
        response = problem(status, error.name, detail, errors=errors)
        for name, value in error.get_headers(request.environ):
            if name.lower() in ("allow", "retry-after"):
                response.headers[name] = value
        return response

    @app.errorhandler(Exception)
    def _unexpected(error: Exception) -> Response:
        app.logger.exception("unexpected error on %s %s", request.method, request.path)
        return problem(500, InternalServerError().name, "Something went wrong here; nothing was changed.")


def _pointers(messages: Any, path: str = "") -> Iterator[dict[str, str]]:
    """Flatten marshmallow's messages to JSON pointers (RFC 6901); the first level names where the value came from."""
    if isinstance(messages, Mapping):
        for key, value in messages.items():
            step = "" if not path and key in ("json", "query", "form", "files", "headers") else _step(key)
            yield from _pointers(value, path + step if step else path or "#")
        return
    for message in messages if isinstance(messages, list) else [messages]:
        yield {"pointer": path.removeprefix("#") or "/", "detail": str(message)}


def _step(key: Any) -> str:
    return "" if key == "_schema" else "/" + str(key).replace("~", "~0").replace("/", "~1")
