"""Every error leaves as a problem document (RFC 9457), made in this one place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, current_app, g, request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

from analytics.errors import AnalyticsError
from service.database_trouble import RETRY_SECONDS, trouble_of
from service.errors import DomainError, TooManyWaiting

MEDIA_TYPE = "application/problem+json"
# Phrases of RFC 9110 that older Pythons and werkzeug name otherwise. A problem of the type about:blank carries
# its status's phrase as title (RFC 9457, section 4.2.1).
PHRASES = {413: "Content Too Large", 422: "Unprocessable Content"}


def problem(
    status: int, detail: str | None = None, *, errors: list[dict[str, str]] | None = None, **more: Any
) -> Response:
    """A problem document as a response."""
    title = PHRASES.get(status) or HTTPStatus(status).phrase
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
        return _refusal(error)

    @app.errorhandler(AnalyticsError)
    def _refused(error: AnalyticsError) -> Response:
        return problem(422, str(error))

    @app.errorhandler(RequestEntityTooLarge)
    def _too_large(error: RequestEntityTooLarge) -> Response:
        most = (request.max_content_length or 0) // 1024**2
        which = "WEAKSPOT_MAX_UPLOAD_MB" if request.mimetype == "multipart/form-data" else "WEAKSPOT_MAX_JSON_MB"
        return problem(413, f"The body is larger than the {most} MB this server takes ({which}).")

    @app.errorhandler(HTTPException)
    def _http(error: HTTPException) -> Response:
        errors, detail = None, error.description
        data = getattr(error, "data", None)
        if isinstance(data, Mapping) and "messages" in data:
            errors = list(_pointers(data["messages"]))
            detail = "The request does not fit its description; each error points at the place."
        response = problem(error.code or 500, detail, errors=errors)
        for name, value in error.get_headers(request.environ):
            if name.lower() in ("allow", "retry-after"):
                response.headers[name] = value
        return response

    @app.errorhandler(Exception)
    def _unexpected(error: Exception) -> Response:
        trouble = trouble_of(error)
        if trouble is not None:
            app.logger.error("database or disk: %s", error)
            response = problem(trouble.status, trouble.detail)
            response.headers["Retry-After"] = str(RETRY_SECONDS)
            return response
        app.logger.exception("unexpected error on %s %s", request.method, request.path)
        return problem(500, "Something went wrong here; nothing was changed.")


def _refusal(error: DomainError) -> Response:
    g.refused_with = error.detail  # pages say it in their reader's words
    response = problem(error.status, error.detail, errors=error.places(), **error.extensions())
    if isinstance(error, TooManyWaiting):
        response.headers["Retry-After"] = str(error.retry_after)
    return response


def _pointers(messages: Any) -> Iterator[dict[str, str]]:
    """Flatten webargs' messages; the first level names where a value came from, which the pointer leaves out."""
    for of_location in messages.values():
        yield from _below(of_location, "")


def _below(messages: Any, pointer: str) -> Iterator[dict[str, str]]:
    """JSON pointers (RFC 6901; the empty one means the whole) with what is wrong there."""
    if isinstance(messages, Mapping):
        for key, value in messages.items():
            yield from _below(value, pointer + _step(key))
        return
    for message in messages if isinstance(messages, list) else [messages]:
        yield {"pointer": pointer, "detail": str(message)}


def _step(key: Any) -> str:
    return "" if key == "_schema" else "/" + str(key).replace("~", "~0").replace("/", "~1")
