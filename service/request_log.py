"""What is noted of every request: an id, one line in the log, and counts for `/metrics`. Never a body or a query."""

from __future__ import annotations

import json
import re
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import structlog
from flask import Flask, Response, g, has_request_context, request

from service.logs import SECRET_NAMES, route_events

REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_SECRET_FIELD = re.compile(SECRET_NAMES, re.IGNORECASE)
MOST_SEARCHED = 65_536  # bytes of a body that are searched for secrets before an error is logged
log = structlog.get_logger("weakspot.access")


def register_request_log(app: Flask, *, counted: bool) -> None:
    """Number every request, log how it ended, and count it if there is somebody to read the counts."""
    route_events()
    record: Callable[[str, str, int, float], None] | None = None
    if counted:
        from service.metrics import record_request

        record = record_request

    @app.before_request
    def _begin() -> None:
        g.started = time.perf_counter()
        given = request.headers.get("X-Request-ID", "")
        g.request_id = given if REQUEST_ID.fullmatch(given) else uuid.uuid4().hex
        structlog.contextvars.clear_contextvars()
        structlog.contextvars.bind_contextvars(request_id=g.request_id)

    @app.after_request
    def _end(response: Response) -> Response:
        seconds = time.perf_counter() - g.get("started", time.perf_counter())
        response.headers["X-Request-ID"] = g.get("request_id", "")
        # The rule, not the path: what a caller makes up would fill logs and metrics without end.
        route = request.url_rule.rule if request.url_rule is not None else "unmatched"
        log.info(
            "request",
            method=request.method,
            route=route,
            status=response.status_code,
            milliseconds=round(1000 * seconds, 1),
            shop=g.get("shop_id"),
        )
        if record is not None:
            record(request.method, route, response.status_code, seconds)
        return response


def request_secrets() -> frozenset[str]:
    """The secrets that came with the request at hand: they must not reach a log by way of an error's text."""
    if not has_request_context():
        return frozenset()
    found = {request.headers.get("Authorization", "").partition(" ")[2].strip(), *request.cookies.values()}
    # Only what has been read already: looking for secrets must not read a body that was about to be refused.
    form = request.__dict__.get("form")
    if form is not None:
        found.update(_secret_values(form.to_dict()))
    found.update(_in_body(getattr(request, "_cached_data", None)))
    return frozenset(text for text in found if len(text) >= 4)


def _in_body(body: Any) -> Iterator[str]:
    if not isinstance(body, bytes) or not body.startswith(b"{") or len(body) > MOST_SEARCHED:
        return
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        return
    if isinstance(document, dict):
        yield from _secret_values(document)


def _secret_values(fields: Mapping[str, Any]) -> Iterator[str]:
    yield from (str(value) for name, value in fields.items() if _SECRET_FIELD.search(str(name)))
