"""Which account somebody has whom an OpenID Connect provider vouches for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import InvalidInput
from service.models import Person
from service.people.accounts import login_name


def person_vouched_for(session: Session, issuer: str, claims: Mapping[str, Any]) -> Person:
    """The person of an ID token whose signature, audience, time and nonce have been checked.

    Known by issuer and subject (OpenID Connect Core 1.0, section 5.7: only these two together name somebody for good);
    the first time by an e-mail address that the provider says it has verified. Accounts are not made here: an owner
    decides who belongs to a shop.

    Raises
    ------
    InvalidInput
        Another issuer, or nobody here is meant.
    """
    subject = str(claims.get("sub") or "")
    if not subject or str(claims.get("iss", "")).rstrip("/") != issuer:
        raise InvalidInput("the provider's answer is not from the one that was asked")
    known = select(Person).where(Person.openid_issuer == issuer, Person.openid_subject == subject)
    person = session.scalar(known)
    if person is not None:
        return person
    if claims.get("email_verified") is True and isinstance(claims.get("email"), str):
        meant = select(Person).where(Person.login == login_name(claims["email"]), Person.openid_subject.is_(None))
        person = session.scalar(meant)
    if person is None:
        raise InvalidInput("nobody here is known by that account; an owner of the shop adds you by its e-mail address")
    person.openid_issuer, person.openid_subject = issuer, subject
    return person
