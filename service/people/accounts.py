"""The write rules of accounts and roles; the caller commits."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.errors import Conflict, InvalidInput, NotFound
from service.models import Membership, PasswordLink, Person, WebSession
from service.people.keys import digest_of, new_key
from service.people.passwords import fits, hashed
from service.vocabulary import ROLES

LINK_LIFE = timedelta(days=3)


def login_name(text: str) -> str:
    """A login name in the one form it is kept in."""
    name = unicodedata.normalize("NFKC", text).strip().casefold()
    if not 3 <= len(name) <= 254 or not name.isprintable() or " " in name:
        raise InvalidInput(
            "a login name has 3 to 254 characters without spaces; an e-mail address does", pointer="/name"
        )
    return name


def person_named(session: Session, name: str) -> Person | None:
    """The person with a login name, if there is one."""
    return session.scalar(select(Person).where(Person.login == login_name(name)))


def add_member(session: Session, shop_id: int, name: str, role: str, *, now: datetime) -> Person:
    """Give somebody a role in a shop; the account is made if it is new.

    Raises
    ------
    Conflict
        They have this role there already.
    """
    if role not in ROLES:
        raise InvalidInput(f"a role is one of {', '.join(ROLES)}", pointer="/role")
    login = login_name(name)
    person = session.scalar(select(Person).where(Person.login == login))
    if person is None:
        person = Person(login=login, created_at=now)
        session.add(person)
        session.flush()
    elif role in roles_in(session, person.id, shop_id):
        raise Conflict(f"{login} is {role.replace('_', ' ')} of this shop already", pointer="/role")
    session.add(Membership(person_id=person.id, shop_id=shop_id, role=role, created_at=now))
    session.flush()
    return person


def roles_in(session: Session, person_id: int, shop_id: int) -> frozenset[str]:
    """A person's roles in a shop."""
    statement = select(Membership.role).where(Membership.person_id == person_id, Membership.shop_id == shop_id)
    return frozenset(session.scalars(statement))


def members_of(session: Session, shop_id: int) -> Sequence[tuple[Person, list[str]]]:
    """Everybody with a role in a shop, by login name."""
    statement = (
        select(Person, Membership.role)
        .join(Membership, Membership.person_id == Person.id)
        .where(Membership.shop_id == shop_id)
        .order_by(Person.login)
    )
    found: dict[int, tuple[Person, list[str]]] = {}
    for person, role in session.execute(statement):
        found.setdefault(person.id, (person, []))[1].append(role)
    return [(person, sorted(roles, key=ROLES.index)) for person, roles in found.values()]


def keep_an_owner(session: Session, shop_id: int, leaving: int) -> None:
    """Refuse what would leave a shop without an owner."""
    others = select(func.count()).where(
        Membership.shop_id == shop_id, Membership.role == "owner", Membership.person_id != leaving
    )
    if "owner" in roles_in(session, leaving, shop_id) and not session.scalar(others):
        raise Conflict("a shop keeps at least one owner: make somebody else owner first")


def remove_member(session: Session, shop_id: int, person_id: int) -> None:
    """Take all of somebody's roles in a shop away; their open sessions notice at the next page."""
    if not roles_in(session, person_id, shop_id):
        raise NotFound("there is no such person in this shop")
    keep_an_owner(session, shop_id, person_id)
    session.execute(delete(Membership).where(Membership.person_id == person_id, Membership.shop_id == shop_id))


def password_link(session: Session, person: Person, *, now: datetime) -> str:
    """The secret of a link with which this person sets a password once; earlier links stop working."""
    session.execute(delete(PasswordLink).where(PasswordLink.person_id == person.id))
    key = new_key()
    session.add(PasswordLink(digest=digest_of(key), person_id=person.id, created_at=now, expires_at=now + LINK_LIFE))
    return key


def link_holder(session: Session, key: str, *, now: datetime) -> Person:
    """Whose link this is.

    Raises
    ------
    NotFound
        Unknown, used or expired; which of them is not said.
    """
    statement = (
        select(Person)
        .join(PasswordLink, PasswordLink.person_id == Person.id)
        .where(PasswordLink.digest == digest_of(key), PasswordLink.used_at.is_(None), PasswordLink.expires_at > now)
    )
    person = session.scalar(statement)
    if person is None:
        raise NotFound("this link is unknown, used or expired; ask for a new one")
    return person


def set_password_by_link(session: Session, key: str, password: str, *, now: datetime) -> Person:
    """Set a password with a link; whoever was signed in as this person is signed out."""
    person = link_holder(session, key, now=now)
    set_password(session, person, password)
    link = session.scalars(select(PasswordLink).where(PasswordLink.digest == digest_of(key))).one()
    link.used_at = now
    return person


def set_password(session: Session, person: Person, password: str) -> None:
    """Keep a new password and end every session of this person."""
    person.password_hash = hashed(password, person.login)
    session.execute(delete(WebSession).where(WebSession.person_id == person.id))


def change_password(session: Session, person: Person, old: str, new: str) -> None:
    """Change a password; the old one must be known."""
    if not fits(old, person.password_hash):
        raise InvalidInput("this is not your password now", pointer="/old_password")
    set_password(session, person, new)
