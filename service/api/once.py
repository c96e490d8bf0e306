"""Idempotency keys (the IETF's draft-ietf-httpapi-idempotency-key-header): a repeated POST is answered, not done again.

The reply is kept in the transaction of what the request wrote: both are there or neither. Refusals are not kept, the
key stays free for a better request.
"""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Callable
from functools import wraps
from typing import Any, cast

from flask import Response, make_response, request

from service.api.context import app, shop_id
from service.errors import Conflict, InvalidInput
from service.kept_replies import IN_FLIGHT, Reply, claim_number, find_reply, keep_reply, let_go
from service.key_claims import AlreadyClaimed

HEADER = "Idempotency-Key"
PATTERN = r"^[!-~]{1,255}$"
PARAMETER = {
    "in": "header",
    "name": HEADER,
    "description": "A text of the sender's choice, new for each thing to be done, such as a UUID. The same request"
    " with the same key within 24 hours gets the first one's reply again and changes nothing; another request with"
    " it is refused (422), and one that comes while the first is being answered too (409).",
    "schema": {"type": "string", "pattern": PATTERN, "minLength": 1, "maxLength": 255},
}
KEPT_HEADERS = ("Content-Type", "Content-Disposition", "ETag", "Location")
LET_GO_EVERY = 256  # replies kept by this process

_kept = itertools.count(1)


def once(view: Callable[..., Any]) -> Callable[..., Any]:
    """Answer a POST that bears a key once; every resource's views are wrapped in this."""

    @wraps(view)
    def answer(*args: Any, **kwargs: Any) -> Any:
        key = request.headers.get(HEADER) if request.method == "POST" else None
        if key is None:
            return view(*args, **kwargs)
        if not re.fullmatch(PATTERN, key):
            raise InvalidInput("write 1 to 255 visible ASCII characters, such as a UUID", pointer=f"/{HEADER}")
        return _answer(key, lambda: make_response(view(*args, **kwargs)))

    return answer


def _answer(key: str, view: Callable[[], Response]) -> Response:
    shop, now, database = shop_id(), app().now(), app().database
    try:
        with database.together(claim_number(shop, key)) as unit:
            digest = _request_digest()
            with database.read() as session:
                kept = find_reply(session, shop, key, now=now)
            if kept is not None:
                return _again(kept, digest)
            response = view()
            if response.status_code >= 400:
                unit.abandon()
                return response
            headers = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
            reply = Reply(digest, response.status_code, headers, response.get_data())
            with database.write() as session:
                keep_reply(session, shop, key, reply, now=now)
                if next(_kept) % LET_GO_EVERY == 0:
                    let_go(session, now=now)
            return response
    except AlreadyClaimed:
        raise Conflict(IN_FLIGHT) from None


def _again(kept: Reply, digest: bytes) -> Response:
    if kept.request_digest != digest:
        raise InvalidInput(f"this {HEADER} was used for another request; use a new one", pointer=f"/{HEADER}")
    return Response(kept.body, status=kept.status, headers=dict(kept.headers))


def _request_digest() -> bytes:
    """What was asked: method, address and body; of a form its parts, for the marks between them change each time."""
    told = hashlib.sha256(f"{request.method} {request.full_path} {request.mimetype}\n".encode())
    if request.mimetype != "multipart/form-data":
        told.update(request.get_data(cache=True))
        return told.digest()
    for name, value in request.form.items(multi=True):
        told.update(repr((name, value)).encode("utf-8", "backslashreplace"))
    for name, file in request.files.items(multi=True):
        told.update(repr((name, file.filename, file.mimetype)).encode("utf-8", "backslashreplace"))
        told.update(hashlib.file_digest(cast(Any, file.stream), "sha256").digest())
        file.stream.seek(0)
    return told.digest()
