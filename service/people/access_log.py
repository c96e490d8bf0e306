"""The log of accesses that cross a shop, and of who changed who may do what."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.errors import InvalidInput
from service.models import AccessEvent

COMMAND_LINE = "command line"


@dataclass(frozen=True)
class Actor:
    """Whoever does something: the shop they do it from, and who they are."""

    shop_id: int | None
    whom: str
    person_id: int | None = None
    token_id: int | None = None


def note_access(
    session: Session, actor: Actor, action: str, *, shop_id: int | None, detail: str = "", now: datetime
) -> None:
    """Write an access down; without `shop_id` it touched every shop of the pool."""
    session.add(
        AccessEvent(
            at=now,
            action=action,
            shop_id=shop_id,
            by_shop_id=actor.shop_id,
            by_person_id=actor.person_id,
            by_token_id=actor.token_id,
            by_whom=actor.whom[:254],
            detail=detail,
        )
    )


def accesses_of(
    session: Session, shop_id: int, *, limit: int = 200, before: uuid.UUID | None = None
) -> Sequence[AccessEvent]:
    """What touched a shop, what it did itself, and what touched every shop of the pool; the newest first."""
    mine = or_(AccessEvent.shop_id == shop_id, AccessEvent.shop_id.is_(None), AccessEvent.by_shop_id == shop_id)
    statement = select(AccessEvent).where(mine).order_by(AccessEvent.id.desc()).limit(limit)
    if before is not None:
        known = session.scalar(select(AccessEvent.id).where(mine, AccessEvent.public_id == before))
        if known is None:
            raise InvalidInput("before must be the id of an entry of this list", pointer="/before")
        statement = statement.where(AccessEvent.id < known)
    return session.scalars(statement).all()


def shown_access(event: AccessEvent, shop_id: int) -> dict[str, Any]:
    """An access as its shop may read it: people of other shops are not named."""
    own = event.by_shop_id == shop_id or event.by_shop_id is None
    return {
        "id": event.public_id,
        "at": event.at,
        "action": event.action,
        "by": event.by_whom if own else "another shop of the pool",
        "touched": "this shop" if event.shop_id == shop_id else "the pool" if event.shop_id is None else "another shop",
        "detail": event.detail,
    }
