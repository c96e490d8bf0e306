"""Signing in: guessing is slowed for each account and each address, and nothing tells which accounts exist."""

from __future__ import annotations

import ipaddress
from datetime import datetime, timedelta
from typing import ClassVar

from sqlalchemy import delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.db import Database
from service.errors import DomainError, InvalidInput
from service.models import Person, SignInBrake
from service.people.accounts import login_name
from service.people.keys import digest_of
from service.people.passwords import fits, hashed_again, outdated

# Tries that cost no waiting; after them the wait doubles with each failure.
FREE_FOR_ACCOUNT, FREE_FOR_ADDRESS = 4, 19
LONGEST_WAIT = timedelta(minutes=15)
FORGOTTEN_AFTER = timedelta(days=1)


class SignInRefused(InvalidInput):
    """Name and password do not belong together; whether the name exists is not said."""

    title = "Not signed in"


class TooManyTries(DomainError):
    """The next try is possible after a while; the same answer whether or not the account exists."""

    title: ClassVar[str] = "Too many tries"
    status: ClassVar[int] = 429

    def __init__(self, wait: timedelta) -> None:
        self.seconds = max(1, -(-int(wait.total_seconds() * 1000) // 1000))
        super().__init__(f"too many tries: wait {self.seconds} seconds, then try again")


def sign_in(database: Database, name: str, password: str, *, address: str, now: datetime) -> int:
    """The id of the person whose name and password these are.

    Raises
    ------
    TooManyTries
        The account or the address must wait; nothing was compared.
    SignInRefused
        They do not belong together.
    """
    name = _folded(name)
    account, network = digest_of(f"account {name}"), digest_of(f"address {_network(address)}")
    # The try counts as failed before anything is compared: tries at the same time cannot overtake the count.
    with database.write() as session:
        _count(session, ((account, FREE_FOR_ACCOUNT), (network, FREE_FOR_ADDRESS)), now)
    with database.read() as session:
        person = session.scalar(select(Person).where(Person.login == name))
    if not fits(password, person.password_hash if person else None) or person is None:
        raise SignInRefused("name and password do not belong together")
    with database.write() as session:
        session.execute(delete(SignInBrake).where(SignInBrake.digest == account))
        brake = session.scalar(select(SignInBrake).where(SignInBrake.digest == network))
        if brake is not None:
            brake.failures, brake.closed_until = brake.failures - 1, now
        if outdated(person.password_hash or ""):
            session.get_one(Person, person.id).password_hash = hashed_again(password)
    return person.id


def wait_after(failures: int, free: int) -> timedelta:
    """How long the next try must wait after so many failures."""
    if failures <= free:
        return timedelta(0)
    return min(LONGEST_WAIT, timedelta(seconds=2 ** min(failures - free, 20)))


def _count(session: Session, brakes: tuple[tuple[bytes, int], ...], now: datetime) -> None:
    session.execute(delete(SignInBrake).where(SignInBrake.last_at < now - FORGOTTEN_AFTER))
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    fresh = {"failures": 0, "last_at": now, "closed_until": now}
    rows = []
    for digest, free in sorted(brakes):  # in one order, so that two tries cannot wait for one another
        session.execute(dialect.insert(SignInBrake).values(digest=digest, **fresh).on_conflict_do_nothing())
        row = session.scalars(select(SignInBrake).where(SignInBrake.digest == digest).with_for_update()).one()
        rows.append((row, free))
    closed = max(row.closed_until for row, _ in rows)
    if closed > now:
        raise TooManyTries(closed - now)
    for row, free in rows:
        row.failures += 1
        row.last_at = now
        row.closed_until = now + wait_after(row.failures, free)


def _folded(name: str) -> str:
    try:
        return login_name(name)
    except InvalidInput:
        return ""  # no account has it; it is counted and answered like any other


def _network(address: str) -> str:
    """One subscriber: an IPv4 address, or the /64 network that an IPv6 subscriber has to itself."""
    try:
        read = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network((read, 64), strict=False)) if read.version == 6 else str(read)
