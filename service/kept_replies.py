"""Replies kept under a shop's idempotency keys: looked up, written down, let go when they are old."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import delete, insert, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.errors import Conflict
from service.models import KeptReply

KEPT = timedelta(hours=24)
IN_FLIGHT = "a request with this Idempotency-Key is being answered; repeat it in a moment"


class Reply(NamedTuple):
    """A reply as it went out, with the digest of the request it answered."""

    request_digest: bytes
    status: int
    headers: Mapping[str, str]
    body: bytes


def claim_number(shop_id: int, key: str) -> int:
    """The number under which a request with this key is at work."""
    return int.from_bytes(hashlib.sha256(f"{shop_id} {key}".encode()).digest()[:8], "big") >> 2


def find_reply(session: Session, shop_id: int, key: str, *, now: datetime) -> Reply | None:
    """The reply kept under a key, unless its time is over."""
    row = session.execute(
        select(KeptReply.request_digest, KeptReply.status, KeptReply.headers, KeptReply.body, KeptReply.kept_at).where(
            KeptReply.shop_id == shop_id, KeptReply.key == key
        )
    ).one_or_none()
    return Reply(*row[:4]) if row is not None and row.kept_at > now - KEPT else None


def keep_reply(session: Session, shop_id: int, key: str, reply: Reply, *, now: datetime) -> None:
    """Keep a reply; an old one under the same key goes. Raises `Conflict` if another was kept in the meantime."""
    old = KeptReply.shop_id == shop_id, KeptReply.key == key, KeptReply.kept_at <= now - KEPT
    session.execute(delete(KeptReply).where(*old).execution_options(synchronize_session=False))
    values = {"shop_id": shop_id, "key": key, "kept_at": now, **reply._asdict()}
    try:
        session.connection().execute(insert(KeptReply), values)
    except IntegrityError:
        raise Conflict(IN_FLIGHT) from None


def let_go(session: Session, *, now: datetime) -> None:
    """Delete the replies whose time is over, of all shops."""
    session.execute(delete(KeptReply).where(KeptReply.kept_at <= now - KEPT))
