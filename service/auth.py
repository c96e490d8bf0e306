"""Bearer tokens: random, stored as a digest only, each speaks for one shop."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Any, cast

from flask import current_app, g, request
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.exceptions import Unauthorized

from service.models import ApiToken
from service.people.keys import digest_of, new_key

OPEN_PATHS = frozenset({"/health", "/ready", "/metrics", "/api/v1/openapi.json", "/api/v1/docs"})


def create_token(
    session: Session, shop_id: int, *, label: str, now: datetime, expires_at: datetime | None = None
) -> str:
    """Make a token of 256 random bits; it can be read this once only."""
    token = new_key("wsp_")
    session.add(ApiToken(shop_id=shop_id, digest=digest_of(token), label=label, created_at=now, expires_at=expires_at))
    return token


def require_token() -> None:
    """Refuse requests to the API without a valid token; pages have a gate of their own."""
    if request.path in OPEN_PATHS or not request.path.startswith("/api/"):
        return
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token:
        raise Unauthorized("Send the header Authorization: Bearer TOKEN; `weakspot token create` makes a token.")
    shop_id = _shop_of(token.strip())
    if shop_id is None:
        raise Unauthorized("This token is unknown, expired or revoked.")
    g.shop_id = shop_id


def current_shop_id() -> int:
    """The shop whose token came with the request."""
    return int(g.shop_id)


def _shop_of(token: str) -> int | None:
    app = cast(Any, current_app)
    cache: dict[bytes, tuple[float, int]] = app.extensions.setdefault("token_cache", {})
    digest = digest_of(token)
    known = cache.get(digest)
    if known and known[0] > time.monotonic():
        return known[1]
    with app.database.read() as session:
        row = session.scalar(select(ApiToken).where(ApiToken.digest == digest))
        if row is None or row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= app.now()):
            cache.pop(digest, None)
            return None
        if len(cache) > 10_000:
            cache.clear()
        cache[digest] = (time.monotonic() + app.settings.token_cache_seconds, row.shop_id)
        return row.shop_id
