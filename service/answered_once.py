"""A request that bears a key is answered once: the reply is kept with what the request wrote, and sent again.

The reply is kept in the transaction of what the request wrote: both are there or neither. Refusals are not kept, the
key stays free for a better request.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable
from datetime import datetime
from typing import Any, cast

from flask import Response, g, json, request

from service.db import Database
from service.errors import Conflict, InvalidInput
from service.kept_replies import IN_FLIGHT, Reply, claim_number, find_reply, keep_reply, let_go
from service.key_claims import AlreadyClaimed

KEPT_HEADERS = ("Content-Type", "Content-Disposition", "ETag", "Location")
FORMS = ("multipart/form-data", "application/x-www-form-urlencoded")
NOT_ASKED = "csrf_token"
LET_GO_EVERY = 256  # replies kept by this process

_kept = itertools.count(1)


def answered_once(
    database: Database, shop_id: int, key: str, view: Callable[[], Response], *, now: datetime, named: str
) -> Response:
    """The view's answer, or the kept one of the same request; `named` is what the key is called.

    Raises
    ------
    InvalidInput
        The key was used for another request.
    Conflict
        A request with this key is being answered.
    """
    try:
        with database.together(claim_number(shop_id, key)) as unit:
            digest = _request_digest()
            kept = find_reply(unit.connection(), shop_id, key, now=now)
            if kept is not None:
                return _again(kept, digest, named)
            response = view()
            if response.status_code >= 400:
                unit.abandon()
                return response
            headers = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
            reply = Reply(digest, response.status_code, headers, _kept_body(response))
            with database.write() as session:
                keep_reply(session, shop_id, key, reply, now=now)
                if next(_kept) % LET_GO_EVERY == 0:
                    let_go(session, now=now)
            return response
    except AlreadyClaimed:
        raise Conflict(IN_FLIGHT) from None


def _kept_body(response: Response) -> bytes:
    """The reply as it is kept: what is told once only, such as a token just made, is not written down anywhere."""
    told_once = g.get("told_once", ())
    if not told_once:
        return response.get_data()
    return json.dumps({**json.loads(response.get_data()), **dict.fromkeys(told_once)}).encode()


def _again(kept: Reply, digest: bytes, named: str) -> Response:
    if kept.request_digest != digest:
        raise InvalidInput(f"this {named} was used for another request; use a new one", pointer=f"/{named}")
    return Response(kept.body, status=kept.status, headers=dict(kept.headers))


def _request_digest() -> bytes:
    """What was asked: method, address and body; of a form its parts, for the marks between them change each time.

    A page's form bears a token against forgery that is another each time the page is opened.
    """
    told = hashlib.sha256(f"{request.method} {request.full_path} {request.mimetype}\n".encode())
    if request.mimetype not in FORMS:
        told.update(request.get_data(cache=True))
        return told.digest()
    for name, value in request.form.items(multi=True):
        if name == NOT_ASKED:
            continue
        told.update(repr((name, value)).encode("utf-8", "backslashreplace"))
    for name, file in request.files.items(multi=True):
        told.update(repr((name, file.filename, file.mimetype)).encode("utf-8", "backslashreplace"))
        told.update(hashlib.file_digest(cast(Any, file.stream), "sha256").digest())
        file.stream.seek(0)
    return told.digest()
