"""The life records a shop may be shown figures of: its own, or all members' where they opened the pool."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.estimates import latest_release, release_for, withdrawn_shops
from service.life_lines import FitLines, lines_to_fit
from service.models import Shop


class RecordsSeen(NamedTuple):
    """Lines to make life records from; `everyone`: of all members, not of one shop."""

    lines: FitLines
    everyone: bool


def records_seen(session: Session, shop_id: int, *, pool_open: bool) -> RecordsSeen:
    """Lines whose counts may be shown to a shop.

    A pool that is open because enough shops share shows counts of published cells only: there a shop's own records are
    held against the pooled lives.
    """
    release = release_for(session, shop_id, pool_open=pool_open)
    everyone = pool_open and release is not None and release.shop_id is None
    if not everyone or release is not latest_release(session, None):
        return RecordsSeen(lines_to_fit(session, shop_ids=[shop_id]), False)
    left = set(withdrawn_shops(session))
    members = [key for key in session.scalars(select(Shop.id).order_by(Shop.id)) if key not in left]
    return RecordsSeen(lines_to_fit(session, shop_ids=members if left else None), True)
