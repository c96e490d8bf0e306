"""Who takes part in the pool, since when, and whether it is open."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from service.errors import InvalidInput
from service.keyed import Standing
from service.models import JobLine, PoolFile, PoolMembership, PoolTrustedKey, Shop
from service.past import in_force, reads_the_past, said_by

# Below this many shops the pool is closed unless its members agreed to open it (a setting): with few members
# one shop could work out another's records.
POOL_NEEDS_SHOPS = 5


def withdrawn_shops(session: Session, on: date | None = None) -> list[int]:
    """Shops that do not share on a day (None: by what they last said). Every shop shares until it says otherwise."""
    rows = _MEMBERSHIPS.rows(session, reads_the_past(session))
    said = {row.shop_id: row.sharing for row in rows if on is None or row.takes_effect_on <= on}
    return sorted(shop_id for shop_id, sharing in said.items() if not sharing)


_MEMBERSHIPS = Standing(
    lambda known_at: (
        select(PoolMembership.shop_id, PoolMembership.sharing, PoolMembership.takes_effect_on)
        .where(*said_by(PoolMembership.recorded_at, known_at))
        .order_by(PoolMembership.id)
    )
)


def member_ids(session: Session, on: date) -> list[int]:
    """Shops that share on a day."""
    out = set(withdrawn_shops(session, on))
    return [shop_id for shop_id in session.scalars(select(Shop.id).order_by(Shop.id)) if shop_id not in out]


def pool_is_open(session: Session, *, pool_open: bool) -> bool:
    """Whether shops are served from all shops' records."""
    if pool_open:
        return True
    return shops_with_records(session) >= POOL_NEEDS_SHOPS


def shops_with_records(session: Session) -> int:
    """Shops that share and have lines, here and in the files of other installations in use."""
    has_lines = exists().where(JobLine.shop_id == Shop.id, *said_by(JobLine.recorded_at, reads_the_past(session)))
    here = select(func.count(Shop.id)).where(has_lines)
    out = withdrawn_shops(session)
    if out:
        here = here.where(Shop.id.not_in(out))
    return (session.scalar(here) or 0) + sum(file.shops for file in files_in_use(session))


def files_in_use(session: Session) -> list[Any]:
    """Id, installation and number of shops of the newest file of each installation whose key is trusted."""
    known_at = reads_the_past(session)
    return list(_FILES.rows(session, known_at))


def _files(known_at: datetime | None) -> Any:
    newest = select(func.max(PoolFile.id)).where(*said_by(PoolFile.taken_in_at, known_at))
    return (
        select(PoolFile.id, PoolFile.shops, PoolTrustedKey.installation)
        .join(PoolTrustedKey, PoolFile.trusted_key_id == PoolTrustedKey.id)
        .where(PoolFile.id.in_(newest.group_by(PoolFile.trusted_key_id)))
        .where(in_force(PoolTrustedKey.added_at, PoolTrustedKey.revoked_at, known_at))
        .order_by(PoolFile.id)
    )


_FILES = Standing(_files)


def set_membership(
    session: Session, shop_id: int, *, sharing: bool, on: date | None, why: str | None, by: str, now: datetime
) -> PoolMembership:
    """Write down that a shop shares from a day on, or no longer does; today without a day.

    Raises
    ------
    InvalidInput
        The day lies in the past: what was published then was published.
    """
    day = on or now.date()
    if day < now.date():
        raise InvalidInput(f"a day in the past cannot be changed; give {now.date()} or a later day", pointer="/from")
    row = PoolMembership(
        shop_id=shop_id, sharing=sharing, takes_effect_on=day, recorded_by=by, recorded_at=now, why=why
    )
    session.add(row)
    session.flush()
    return row


def membership_document(session: Session, shop_id: int, today: date) -> dict[str, Any]:
    """How a shop stands to the pool, with everything it ever said about it."""
    known = said_by(PoolMembership.recorded_at, reads_the_past(session))
    rows = session.scalars(
        select(PoolMembership).where(PoolMembership.shop_id == shop_id, *known).order_by(PoolMembership.id)
    ).all()
    return {
        "sharing": shop_id not in withdrawn_shops(session, today),
        "next_publication": next_publication(today).isoformat(),
        "trail": [
            {
                "id": str(row.public_id),
                "sharing": row.sharing,
                "from": row.takes_effect_on.isoformat(),
                "why": row.why,
                "recorded_by": row.recorded_by,
                "recorded_at": row.recorded_at.isoformat(),
            }
            for row in rows
        ],
    }


def publication_date(today: date) -> date:
    """The publication date in force on a day: the first of its month."""
    return today.replace(day=1)


def next_publication(today: date) -> date:
    """The publication date after a day."""
    return date(today.year + today.month // 12, today.month % 12 + 1, 1)
