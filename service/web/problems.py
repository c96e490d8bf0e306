"""Refusals as pages: the one mapping of errors makes a problem document, this lays it out for people."""

from __future__ import annotations

import json
from typing import Any

from flask import Flask, Response, g, make_response, render_template, request
from werkzeug.exceptions import NotFound

from service.error_handlers import MEDIA_TYPE
from service.web.current import current, forget_current
from service.web.texts import _

# For programs, whatever they say they accept.
NOT_PAGES = ("/api/", "/static/", "/health", "/ready", "/metrics")
KEPT_HEADERS = ("Allow", "Retry-After")


def register_problem_pages(app: Flask) -> None:
    """Lay out every problem document that a page would have sent."""

    @app.after_request
    def _as_page(response: Response) -> Response:
        if response.mimetype != MEDIA_TYPE or request.path.startswith(NOT_PAGES) or not _wants_page():
            return response
        found = json.loads(response.get_data())
        said = g.pop("refused_with", None)  # with the values that its text was made of
        if said is not None and said == found.get("detail"):
            found["detail"] = said
        page = problem_page(found)
        for name in KEPT_HEADERS:
            if name in response.headers:
                page.headers[name] = response.headers[name]
        return page


def _wants_page() -> bool:
    return request.accept_mimetypes.best_match(("text/html", MEDIA_TYPE, "application/json")) in ("text/html", None)


def problem_page(problem: dict[str, Any]) -> Response:
    """The page of a problem; without navigation where even finding out who asks has failed."""
    try:
        known = current.person_id is not None
    except Exception:  # the page about an unexpected error must not raise it again
        forget_current()
        known = False
    status = int(problem["status"])
    if request.headers.get("HX-Request"):
        return make_response(render_template("problem_part.html", problem=problem), status)
    if status == 404 and problem.get("detail") == NotFound.description:
        problem = {**problem, "detail": _("No page has this address.")}
    html = render_template(
        "problem.html", problem=problem, heading=_heading(status), with_places=known and status < 500
    )
    return make_response(html, status)


def _heading(status: int) -> str:
    headings = {
        400: _("This could not be read"),
        401: _("Please sign in"),
        403: _("Not for you"),
        404: _("There is nothing here"),
        405: _("That cannot be done here"),
        409: _("This contradicts what is recorded"),
        413: _("That is too large"),
        422: _("Something in it does not fit"),
        429: _("Too many tries"),
        501: _("Not available here"),
        503: _("Not available just now"),
    }
    return headings.get(status, _("Something went wrong"))
