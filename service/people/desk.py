"""What an owner does about people, tokens and settings, each with its line in the log; for pages, API and command."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.errors import NotFound
from service.models import ApiToken, Membership, Person, Shop
from service.people.access_log import Actor, note_access
from service.people.accounts import add_member, keep_an_owner, password_link, remove_member, roles_in
from service.people.tokens import create_token, ends_after, revoke_token


def let_in(
    session: Session, actor: Actor, shop_id: int, name: str, role: str, *, now: datetime
) -> tuple[Person, str | None]:
    """Give somebody a role; the second is the secret of the link for a new account's password."""
    person = add_member(session, shop_id, name, role, now=now)
    note_access(session, actor, "role given", shop_id=shop_id, detail=f"{person.login}: {_said(role)}", now=now)
    if person.password_hash is not None or person.openid_subject is not None:
        return person, None
    return person, password_link(session, person, now=now)


def member_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Person:
    """Somebody of this shop; people of other shops do not exist for it."""
    statement = (
        select(Person)
        .join(Membership, Membership.person_id == Person.id)
        .where(Membership.shop_id == shop_id, Person.public_id == public_id)
    )
    person = session.scalars(statement).first()
    if person is None:
        raise NotFound("there is no such person in this shop")
    return person


def take_role(session: Session, actor: Actor, shop_id: int, public_id: uuid.UUID, role: str, *, now: datetime) -> None:
    """Take one role away from somebody; an owner must remain."""
    person = member_of(session, shop_id, public_id)
    if role not in roles_in(session, person.id, shop_id):
        raise NotFound("there is no such role to take")
    if role == "owner":
        keep_an_owner(session, shop_id, person.id)
    mine = Membership.person_id == person.id, Membership.shop_id == shop_id, Membership.role == role
    session.execute(delete(Membership).where(*mine))
    note_access(session, actor, "role taken", shop_id=shop_id, detail=f"{person.login}: {_said(role)}", now=now)
    if not roles_in(session, person.id, shop_id):
        _stop_tokens(session, shop_id, person.id, now)


def show_out(session: Session, actor: Actor, shop_id: int, public_id: uuid.UUID, *, now: datetime) -> Person:
    """Take all roles away and stop the tokens somebody made for this shop."""
    person = member_of(session, shop_id, public_id)
    remove_member(session, shop_id, person.id)
    _stop_tokens(session, shop_id, person.id, now)
    note_access(session, actor, "person removed", shop_id=shop_id, detail=person.login, now=now)
    return person


def new_link(session: Session, actor: Actor, shop_id: int, public_id: uuid.UUID, *, now: datetime) -> str:
    """The secret of a link with which somebody of this shop alone sets a new password."""
    person = member_of(session, shop_id, public_id)
    elsewhere = select(Membership.id).where(Membership.person_id == person.id, Membership.shop_id != shop_id)
    if session.scalars(elsewhere).first() is not None:
        # Whoever holds the link becomes this person, in the other shops too.
        raise NotFound("this person belongs to other shops too: whoever runs the installation makes the link")
    note_access(session, actor, "password link made", shop_id=shop_id, detail=person.login, now=now)
    return password_link(session, person, now=now)


def hand_out_token(
    session: Session, actor: Actor, shop_id: int, *, label: str, scope: str, days: int | None, now: datetime
) -> str:
    """Make a token and write it down; it is readable this once only."""
    text = create_token(
        session,
        shop_id,
        label=label,
        now=now,
        expires_at=ends_after(days, now),
        scope=scope,
        person_id=actor.person_id,
    )
    note_access(session, actor, "token made", shop_id=shop_id, detail=f"{label} ({scope})", now=now)
    return text


def stop_token(session: Session, actor: Actor, shop_id: int, public_id: uuid.UUID, *, now: datetime) -> None:
    """Revoke a token and write it down."""
    token = revoke_token(session, shop_id, public_id, now=now)
    if token is not None:
        note_access(session, actor, "token revoked", shop_id=shop_id, detail=f"{token.label} ({token.scope})", now=now)


# what an empty setting means
EMPTY = {
    "unit": "as the installation",
    "locale": "as the installation",
    "region": "not said",
    "machine_use": "not said",
}


def change_shop(session: Session, actor: Actor, shop_id: int, changes: dict[str, str | None], *, now: datetime) -> Shop:
    """Set unit, locale, region and use of a shop; what is not named stays."""
    shop = session.get_one(Shop, shop_id)
    changed = {name: value for name, value in changes.items() if getattr(shop, name) != value}
    for name, value in changed.items():
        setattr(shop, name, value)
    if changed:
        said = ", ".join(f"{name} {value or EMPTY[name]}" for name, value in changed.items())
        note_access(session, actor, "settings changed", shop_id=shop_id, detail=said, now=now)
    return shop


def _stop_tokens(session: Session, shop_id: int, person_id: int, now: datetime) -> None:
    theirs = ApiToken.shop_id == shop_id, ApiToken.person_id == person_id, ApiToken.revoked_at.is_(None)
    session.execute(update(ApiToken).where(*theirs).values(revoked_at=now))


def _said(role: str) -> str:
    return role.replace("_", " ")
