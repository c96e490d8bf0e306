"""Bearer tokens on requests: who must show one, and what each may do."""

from __future__ import annotations

import time
from typing import Any, cast

from flask import current_app, g, request
from werkzeug.exceptions import Forbidden, Unauthorized

from service.people.access_log import Actor
from service.people.keys import digest_of
from service.people.tokens import TokenHolder, create_token, holder_of

__all__ = ["create_token", "current_actor", "current_shop_id", "needed_grant", "require_token"]

OPEN_PATHS = frozenset({"/health", "/ready", "/metrics", "/api/v1/openapi.json", "/api/v1/docs"})
SAFE = ("GET", "HEAD", "OPTIONS")
# Questions that come as POST because they are long; they change nothing.
ASKING = frozenset({"rankings.Rankings", "plans.Plans", "bills.Bills", "measurements.Judge", "ahead.RenewalBlocks"})
# What only an owner decides: who may do what, and what leaves the shop. Everything but reading in these,
OWNERS = frozenset({"pool", "shop"})
# and all of these.
OWNERS_ONLY = frozenset({"tokens", "people", "accesses"})
# What belongs to all shops together.
STEWARDS = frozenset({"pool.PoolPublications"})


def needed_grant(endpoint: str, method: str) -> str:
    """What a token must be allowed to do for an operation: read, write, admin or pool."""
    if endpoint in STEWARDS:
        return "pool"
    resource = endpoint.partition(".")[0]
    if resource in OWNERS_ONLY or (resource in OWNERS and method not in SAFE):
        return "admin"
    return "read" if method in SAFE or endpoint in ASKING else "write"


def require_token() -> None:
    """Refuse requests to the API without a token that may do what is asked; pages have a gate of their own."""
    if request.path in OPEN_PATHS or not request.path.startswith("/api/"):
        return
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token:
        raise Unauthorized("Send the header Authorization: Bearer TOKEN; `weakspot token create` makes a token.")
    holder = _holder_of(token.strip())
    if holder is None:
        raise Unauthorized("This token is unknown, expired or revoked.")
    g.shop_id = holder.shop_id
    g.holder = holder
    if request.endpoint is not None:
        grant = needed_grant(request.endpoint, request.method)
        if grant not in holder.grants:
            raise Forbidden(f"This needs a token with the grant {grant}; this one has {_list(holder.grants)}.")


def current_shop_id() -> int:
    """The shop whose token came with the request."""
    return int(g.shop_id)


def current_actor() -> Actor:
    """Who asks, for the log of accesses."""
    holder = cast(TokenHolder, g.holder)
    return Actor(holder.shop_id, f"token {holder.label}".strip(), holder.person_id, holder.token_id)


def _list(grants: frozenset[str]) -> str:
    return " and ".join(grant for grant in ("read", "write", "admin", "pool") if grant in grants)


def _holder_of(token: str) -> TokenHolder | None:
    app = cast(Any, current_app)
    cache: dict[bytes, tuple[float, TokenHolder]] = app.extensions.setdefault("token_cache", {})
    digest = digest_of(token)
    known = cache.get(digest)
    if known and known[0] > time.monotonic():
        return known[1]
    with app.database.read() as session:
        holder = holder_of(session, digest, now=app.now())
    if holder is None:
        cache.pop(digest, None)
        return None
    if len(cache) > 10_000:
        cache.clear()
    cache[digest] = (time.monotonic() + app.settings.token_cache_seconds, holder)
    return holder
