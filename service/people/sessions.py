"""Browsers that are signed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.errors import NotFound
from service.models import Membership, Person, Shop, WebSession
from service.people.keys import digest_of, new_key

LIFE = timedelta(days=14)


@dataclass(frozen=True)
class SignedIn:
    """A person in a browser, the shop they look at, and their roles there."""

    session_id: int
    person: Person
    shop: Shop | None
    roles: frozenset[str]
    shops: tuple[Shop, ...]


def start_session(session: Session, person_id: int, *, now: datetime) -> str:
    """The secret for the cookie of a browser that has just signed in."""
    session.execute(delete(WebSession).where(WebSession.expires_at <= now))
    key = new_key()
    session.add(WebSession(digest=digest_of(key), person_id=person_id, created_at=now, expires_at=now + LIFE))
    return key


def end_session(session: Session, key: str) -> None:
    """Sign a browser out; its cookie is worth nothing from now on."""
    session.execute(delete(WebSession).where(WebSession.digest == digest_of(key)))


def signed_in(session: Session, key: str, *, now: datetime) -> SignedIn | None:
    """Whoever a cookie's secret stands for, with their roles as they are now."""
    statement = (
        select(WebSession, Person, Membership.role, Shop)
        .join(Person, Person.id == WebSession.person_id)
        .outerjoin(Membership, Membership.person_id == Person.id)
        .outerjoin(Shop, Shop.id == Membership.shop_id)
        .where(WebSession.digest == digest_of(key), WebSession.expires_at > now)
        .order_by(Shop.name)
    )
    rows = session.execute(statement).all()
    if not rows:
        return None
    row, person = rows[0][0], rows[0][1]
    shops = {shop.id: shop for _, _, _, shop in rows if shop is not None}
    # A shop that somebody no longer belongs to is not looked at any more.
    shop = shops.get(row.shop_id or 0) or next(iter(shops.values()), None)
    roles = frozenset(role for _, _, role, of in rows if shop is not None and of is not None and of.id == shop.id)
    return SignedIn(row.id, person, shop, roles, tuple(shops.values()))


def look_at_shop(session: Session, who: SignedIn, shop_id: int) -> None:
    """Turn to another shop of one's own."""
    if shop_id not in {shop.id for shop in who.shops}:
        raise NotFound("there is no such shop")
    session.get_one(WebSession, who.session_id).shop_id = shop_id
