"""The one place where an access that crosses shops is written down in the log of accesses."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from service.people.access_log import COMMAND_LINE as WHOM
from service.people.access_log import Actor, note_access

Asker = Actor
COMMAND_LINE = Actor(None, WHOM)


def note_crossing(
    session: Session, asker: Asker, action: str, detail: str, *, now: datetime, shop_id: int | None = None
) -> None:
    """Write down that something of one shop, or (without `shop_id`) of the whole pool, was shown or changed."""
    note_access(session, asker, action, shop_id=shop_id, detail=detail, now=now)
