"""Replies kept under a shop's idempotency keys: looked up, written down, let go when they are old."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, NamedTuple, cast

from sqlalchemy import Connection, Table, bindparam, delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.errors import Conflict
from service.models import KeptReply
from service.prepared import Prepared

KEPT = timedelta(hours=24)
IN_FLIGHT = "a request with this Idempotency-Key is being answered; repeat it in a moment"


_TABLE = cast(Table, KeptReply.__table__)


def _keep(dialect: Any) -> Prepared:
    """A reply under a free key, or in the place of one whose time is over."""
    statement = dialect.insert(_TABLE).values({column.name: bindparam(column.name) for column in _TABLE.c})
    renewed = {name: statement.excluded[name] for name in ("request_digest", "status", "headers", "body", "kept_at")}
    return Prepared(
        statement.on_conflict_do_update(
            index_elements=["shop_id", "key"],
            set_=renewed,
            where=_TABLE.c.kept_at <= bindparam("too_old", type_=_TABLE.c.kept_at.type),
        )
    )


_KEEP = {"sqlite": _keep(sqlite), "postgresql": _keep(postgresql)}
_FIND = Prepared(
    select(_TABLE.c.request_digest, _TABLE.c.status, _TABLE.c.headers, _TABLE.c.body, _TABLE.c.kept_at).where(
        _TABLE.c.shop_id == bindparam("shop"), _TABLE.c.key == bindparam("asked")
    )
)


class Reply(NamedTuple):
    """A reply as it went out, with the digest of the request it answered."""

    request_digest: bytes
    status: int
    headers: Mapping[str, str]
    body: bytes


def claim_number(shop_id: int, key: str) -> int:
    """The number under which a request with this key is at work."""
    return int.from_bytes(hashlib.sha256(f"{shop_id} {key}".encode()).digest()[:8], "big") >> 2


def find_reply(connection: Connection, shop_id: int, key: str, *, now: datetime) -> Reply | None:
    """The reply kept under a key, unless its time is over."""
    rows = _FIND.rows(connection, {"shop": shop_id, "asked": key})
    return Reply(*rows[0][:4]) if rows and rows[0].kept_at > now - KEPT else None


def keep_reply(session: Session, shop_id: int, key: str, reply: Reply, *, now: datetime) -> None:
    """Keep a reply; an old one under the same key goes. Raises `Conflict` if another was kept in the meantime."""
    values = {"shop_id": shop_id, "key": key, "kept_at": now, "too_old": now - KEPT, **reply._asdict()}
    connection = session.connection()
    if _KEEP[connection.dialect.name].run(connection, values) != 1:
        raise Conflict(IN_FLIGHT)


def let_go(session: Session, *, now: datetime) -> None:
    """Delete the replies whose time is over, of all shops."""
    session.execute(delete(KeptReply).where(KeptReply.kept_at <= now - KEPT))
