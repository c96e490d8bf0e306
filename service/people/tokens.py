"""Tokens of the HTTP interface: random, kept as digests, scoped, ending, revocable."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import InvalidInput, NotFound
from service.models import ApiToken, Person
from service.people.accounts import roles_in
from service.people.keys import digest_of, new_key
from service.people.roles import SCOPE_GRANTS, grants_of, scopes_for

PREFIX = "wsp_"
SHOWN = len(PREFIX) + 4  # of a token in lists, to tell one from another: 24 of its 256 bits
LONGEST_DAYS = 3650


@dataclass(frozen=True)
class TokenHolder:
    """Whom a token speaks for, and what it may do at this moment."""

    shop_id: int
    token_id: int
    person_id: int | None
    label: str
    grants: frozenset[str]


def create_token(
    session: Session,
    shop_id: int,
    *,
    label: str,
    now: datetime,
    expires_at: datetime | None = None,
    scope: str = "write",
    person_id: int | None = None,
) -> str:
    """Make a token of 256 random bits; it can be read this once only.

    Raises
    ------
    InvalidInput
        An unknown scope, one above what the person may do, or a label that cannot be shown.
    """
    allowed = list(SCOPE_GRANTS) if person_id is None else scopes_for(roles_in(session, person_id, shop_id))
    if scope not in allowed:
        raise InvalidInput(f"the scope is one of {', '.join(allowed) or 'none'} here", pointer="/scope")
    label = " ".join(label.split())
    if len(label) > 120 or not label.isprintable():
        raise InvalidInput("a label has at most 120 printable characters", pointer="/label")
    token = new_key(PREFIX)
    session.add(
        ApiToken(
            shop_id=shop_id,
            digest=digest_of(token),
            label=label,
            created_at=now,
            expires_at=expires_at,
            scope=scope,
            hint=token[:SHOWN],
            person_id=person_id,
        )
    )
    session.flush()
    return token


def ends_after(days: int | None, now: datetime) -> datetime | None:
    """When a token ends that is to work for so many days; never, if none are given."""
    return None if days is None else now + timedelta(days=days)


def holder_of(session: Session, digest: bytes, *, now: datetime) -> TokenHolder | None:
    """Whom a token speaks for; nobody, where it is unknown, over, revoked, or its maker has left the shop."""
    row = session.scalar(select(ApiToken).where(ApiToken.digest == digest))
    if row is None or row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= now):
        return None
    grants = SCOPE_GRANTS[row.scope]
    if row.person_id is not None:
        # A token never does more than its maker may do now.
        grants &= grants_of(roles_in(session, row.person_id, row.shop_id))
    return TokenHolder(row.shop_id, row.id, row.person_id, row.label, grants) if grants else None


def tokens_of(session: Session, shop_id: int) -> Sequence[tuple[ApiToken, str | None]]:
    """A shop's tokens that are not revoked, the newest first, with who made them; never the tokens themselves."""
    statement = (
        select(ApiToken, Person.login)
        .outerjoin(Person, Person.id == ApiToken.person_id)
        .where(ApiToken.shop_id == shop_id, ApiToken.revoked_at.is_(None))
        .order_by(ApiToken.id.desc())
    )
    return [(token, login) for token, login in session.execute(statement)]


def revoke_token(session: Session, shop_id: int, public_id: uuid.UUID, *, now: datetime) -> ApiToken | None:
    """Stop a token; None where it was stopped before. Servers notice within seconds (WEAKSPOT_TOKEN_CACHE_SECONDS)."""
    row = session.scalar(select(ApiToken).where(ApiToken.shop_id == shop_id, ApiToken.public_id == public_id))
    if row is None:
        raise NotFound("there is no such token")
    if row.revoked_at is not None:
        return None
    row.revoked_at = now
    return row
