"""Keys of an installation: Ed25519 to sign its files, and the agreed key that machines' pseudonyms are made with.

The private key is a file of its own and never in the database, so that a backup does not carry it along.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import os
import re
from datetime import datetime
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import Conflict, InvalidInput, NotFound
from service.imports.frame_numbers import read_frame_number
from service.models import PoolTrustedKey

PREFIX = "ed25519:"
# A frame number of the hyphenated sort begins with a model code; AB-00123 may be any shop's own numbering.
_DOMESTIC = re.compile(r"[A-Z]{1,4}\d{1,3}[A-Z]?-\d")


def make_key(path: Path) -> str:
    """Make a key pair, keep the private key in a file only its owner reads, give back the public key.

    Raises
    ------
    Conflict
        There is one already: files signed with it would no longer be this installation's.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    private = Ed25519PrivateKey.generate()
    pem = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise Conflict(f"there is a key in {path} already; move it away to make another") from None
    with os.fdopen(handle, "wb") as file:
        file.write(pem)
    return public_text(private.public_key())


def private_key(path: Path) -> Ed25519PrivateKey:
    """This installation's private key."""
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except FileNotFoundError:
        raise NotFound(f"there is no key in {path}: make one with weakspot pool key") from None
    except ValueError:
        raise InvalidInput(f"{path} does not hold an Ed25519 private key in PEM form") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise InvalidInput(f"{path} holds another kind of key; an Ed25519 one is needed")
    return key


def public_text(key: Ed25519PublicKey) -> str:
    """A public key as people pass it on."""
    return PREFIX + base64.b64encode(key.public_bytes(Encoding.Raw, PublicFormat.Raw)).decode()


def public_bytes(text: str) -> bytes:
    """The 32 bytes of a public key as passed on."""
    try:
        if not text.startswith(PREFIX):
            raise ValueError
        raw = base64.b64decode(text.removeprefix(PREFIX), validate=True)
        Ed25519PublicKey.from_public_bytes(raw)
    except (ValueError, binascii.Error):
        raise InvalidInput(f"that is no public key: write it as weakspot pool key prints it, {PREFIX}...") from None
    return raw


def installation_of(public: bytes) -> str:
    """The name of an installation: a digest of its public key, so that nobody can take another's."""
    return hashlib.sha256(public).hexdigest()[:16]


def signature_holds(public: bytes, signature: bytes, message: bytes) -> bool:
    """Whether a message was signed with the private half of a key."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except InvalidSignature:
        return False
    return True


def trust(session: Session, text: str, name: str, *, now: datetime) -> PoolTrustedKey:
    """Take files signed with a key in from now on; a key that was revoked is trusted again."""
    raw = public_bytes(text)
    row = session.scalar(select(PoolTrustedKey).where(PoolTrustedKey.installation == installation_of(raw)))
    if row is None:
        row = PoolTrustedKey(installation=installation_of(raw), public_key=raw, name=name, added_at=now)
        session.add(row)
    row.name, row.revoked_at = name, None
    session.flush()
    return row


def revoke(session: Session, installation: str, *, now: datetime) -> PoolTrustedKey:
    """Take no more files of an installation; those it sent leave the fits."""
    row = session.scalar(select(PoolTrustedKey).where(PoolTrustedKey.installation == installation))
    if row is None:
        raise NotFound(f"no key of an installation {installation!r} is trusted here")
    row.revoked_at = row.revoked_at or now
    return row


def pseudonym(key: str, reference: str) -> str | None:
    """The agreed name of a machine: a keyed digest (HMAC-SHA256, RFC 2104) of its frame number.

    None without a key, and for a reference that is a shop's own and no frame number.
    """
    number = read_frame_number(reference)
    if not key or not (number.check in ("ok", "fails") or _DOMESTIC.match(number.normalised)):
        return None
    return hmac.new(key.encode(), number.normalised.encode(), hashlib.sha256).hexdigest()[:32]
