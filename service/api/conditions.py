"""Conditional requests (RFC 9110, section 13): 304 for what the asker has, 412 for changes of what has changed.

Every GET has a strong ETag; that of a record which has a version is known before the record is read. Whoever changes
what can be read at the same address must say which state of it they mean (428 without, RFC 6585, section 3).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import Response, make_response, request
from flask.views import MethodView
from werkzeug.exceptions import PreconditionFailed, PreconditionRequired

from service.api.context import app, shop_id
from service.corrections import shop_row

CHANGES = ("PUT", "PATCH", "DELETE")
# Goes up when replies come to look different although the records have not changed.
LAYOUT = "1"
IF_NONE_MATCH = {
    "in": "header",
    "name": "If-None-Match",
    "description": "ETag of the reply the asker has: 304 without a body where it still holds",
    "schema": {"type": "string"},
}
IF_MATCH = {
    "in": "header",
    "name": "If-Match",
    "description": "ETag of the state that is to be changed, as GET gave it; needed where the address can be read",
    "schema": {"type": "string"},
}


def tagged(versions: tuple[Any, ...], make: Callable[[], Any]) -> Any:
    """The reply that `make` gives, tagged with what decides it; it is not made where the asker has it already."""
    told = repr((LAYOUT, shop_id(), request.full_path, versions)).encode()
    tag = base64.urlsafe_b64encode(hashlib.sha256(told).digest()[:18]).decode()
    if request.method in ("GET", "HEAD") and request.if_none_match.contains_weak(tag):
        return _unchanged(tag)
    made = make()
    if isinstance(made, Response):
        made.set_etag(tag)
        return made
    body, status, headers = made if isinstance(made, tuple) else (made, 200, {})
    return body, status, {**headers, "ETag": f'"{tag}"'}


def _unchanged(tag: str) -> Response:
    response = Response(status=304)
    response.set_etag(tag)
    return response


def conditional(view_class: type[MethodView], view: Callable[..., Any]) -> Callable[..., Any]:
    """Tag what is read and check what is changed; every resource's views are wrapped in this."""
    readable = hasattr(view_class, "get")

    @wraps(view)
    def answer(*args: Any, **kwargs: Any) -> Any:
        if request.method in CHANGES and readable:
            return _change(view_class, lambda: make_response(view(*args, **kwargs)), kwargs)
        response = make_response(view(*args, **kwargs))
        if request.method in ("GET", "HEAD") and response.status_code == 200 and not response.is_streamed:
            response.add_etag()
            tag = response.get_etag()[0] or ""
            if request.if_none_match.contains_weak(tag):
                return _unchanged(tag)
        return response

    return answer


def _change(view_class: type[MethodView], view: Callable[[], Response], place: dict[str, Any]) -> Response:
    with app().database.together() as unit:
        shop_row(unit.begin(), shop_id())  # no other change of this shop's comes between the look and the change
        tag = _tag_now(view_class, place)
        if "If-Match" not in request.headers:
            raise PreconditionRequired("Send If-Match with the ETag that GET of this address gives.")
        if not request.if_match.contains(tag):
            raise PreconditionFailed("It has changed since it was read: read it again and repeat the change on that.")
        response = view()
        if response.status_code >= 400:
            unit.abandon()
        elif response.status_code == 200:
            response.set_etag(_tag_now(view_class, place))
        return response


def _tag_now(view_class: type[MethodView], place: dict[str, Any]) -> str:
    """The ETag that GET gives now; raises what GET raises."""
    response = make_response(view_class().get(**place))  # type: ignore[attr-defined]
    response.add_etag()
    return response.get_etag()[0] or ""
