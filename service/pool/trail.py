"""The one place where an access that crosses shops is written down."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy.orm import Session

from service.models import AccessEvent


class Asker(NamedTuple):
    """Who looked or acted: a shop through its token or person, or somebody at the command line."""

    shop_id: int | None
    by_whom: str


COMMAND_LINE = Asker(None, "command line")


def note_crossing(session: Session, asker: Asker, action: str, detail: str, *, now: datetime) -> None:
    """Write down that something belonging to the whole pool was shown or changed."""
    session.add(
        AccessEvent(at=now, action=action, by_shop_id=asker.shop_id, by_whom=asker.by_whom[:254], detail=detail)
    )
