"""Passwords: which are taken, and how they are kept (Argon2id, RFC 9106)."""

from __future__ import annotations

import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from service.errors import InvalidInput

SHORTEST, LONGEST = 12, 256
FEWEST_DIFFERENT = 5

# The library's defaults are the second recommendation of RFC 9106, section 4: 64 MiB, three passes, four lanes.
HASHER = PasswordHasher()
_nobodys: dict[int, str] = {}


def hashed(password: str, login: str, *, pointer: str = "/password") -> str:
    """The hash to keep of a new password.

    Raises
    ------
    InvalidInput
        Too short, too long, too uniform, or made of the login name.
    """
    password = _normal(password)
    if len(password) < SHORTEST:
        raise InvalidInput(f"a password has at least {SHORTEST} characters; a few words do well", pointer=pointer)
    if len(password) > LONGEST:
        raise InvalidInput(f"a password has at most {LONGEST} characters", pointer=pointer)
    if len(set(password)) < FEWEST_DIFFERENT:
        raise InvalidInput(f"use at least {FEWEST_DIFFERENT} different characters", pointer=pointer)
    if login.partition("@")[0].casefold() in password.casefold():
        raise InvalidInput("a password must not contain the login name", pointer=pointer)
    return HASHER.hash(password)


def fits(password: str, kept: str | None) -> bool:
    """Whether a password is the one kept; takes as long where nobody is known."""
    password = _normal(password)[: LONGEST + 1]
    try:
        HASHER.verify(kept or _of_nobody(), password)
    except (VerifyMismatchError, InvalidHashError):
        return False
    return kept is not None


def outdated(kept: str) -> bool:
    """Whether a hash was made with other parameters than today's."""
    return HASHER.check_needs_rehash(kept)


def hashed_again(password: str) -> str:
    """A fresh hash of a password that was just found right."""
    return HASHER.hash(_normal(password))


def _normal(password: str) -> str:
    # NIST SP 800-63B, section 5.1.1.2: the same characters typed on another keyboard must give the same hash.
    return unicodedata.normalize("NFKC", password).encode("utf-8", "replace").decode()


def _of_nobody() -> str:
    """A hash that no password fits, with the same parameters as all others."""
    key = id(HASHER)
    if key not in _nobodys:
        _nobodys[key] = HASHER.hash("nobody has this one")
    return _nobodys[key]
