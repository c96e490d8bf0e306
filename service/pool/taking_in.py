"""Take another installation's file in: once, only if its signature holds, and the newest only."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.spells import Spells
from service.errors import Conflict, FileRefused
from service.models import ComponentType, PoolFile, PoolTrustedKey
from service.pool.files import read_file
from service.pool.keys import signature_holds
from service.pool.members import files_in_use
from service.pool.rows import spells_of
from service.pool.trail import Asker, note_crossing


@dataclass(frozen=True)
class Taken:
    """What a file brought."""

    installation: str
    name: str
    made_at: datetime
    rows: int
    shops: int
    changed: bool  # False: the same file was taken in before
    replaces: datetime | None
    unknown_components: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "installation": self.installation,
            "name": self.name,
            "made_at": self.made_at.isoformat(),
            "rows": self.rows,
            "shops": self.shops,
            "changed": self.changed,
            "replaces": self.replaces.isoformat() if self.replaces else None,
            "unknown_components": list(self.unknown_components),
        }


def take_in_file(
    session: Session, content: bytes, *, asker: Asker, now: datetime, own_installation: str | None = None
) -> Taken:
    """Check a file and keep it.

    Raises
    ------
    FileRefused
        It is no such file, its signature does not hold, or a row cannot be used.
    Conflict
        Its key is not trusted, it is this installation's own, or a newer file of the same installation is in use.
    """
    document = read_file(content)
    if document.installation == own_installation:
        raise Conflict("this file was made here: an installation does not take in its own records")
    key = session.scalar(select(PoolTrustedKey).where(PoolTrustedKey.installation == document.installation))
    if key is None or key.revoked_at is not None:
        raise Conflict(
            f"the key of installation {document.installation} is not trusted here; if it is known to be theirs:"
            " weakspot pool trust KEY --name NAME"
        )
    if not signature_holds(key.public_key, document.signature, document.signed):
        raise FileRefused("the signature does not hold: the file was changed after it was signed")
    rows = document.rows()
    shops = len({row["shop"] for row in rows})
    known = set(session.scalars(select(ComponentType.slug)))
    unknown = tuple(sorted({row["component"] for row in rows} - known))
    newest = session.scalar(
        select(PoolFile).where(PoolFile.trusted_key_id == key.id).order_by(PoolFile.id.desc()).limit(1)
    )
    digest = hashlib.sha256(document.signed).digest()
    taken = Taken(document.installation, key.name, document.made_at, len(rows), shops, True, None, unknown)
    if newest is not None:
        if newest.digest == digest:
            return Taken(taken.installation, key.name, taken.made_at, len(rows), shops, False, None, unknown)
        if newest.made_at >= document.made_at:
            raise Conflict(f"a newer file of this installation is in use: it was made at {newest.made_at.isoformat()}")
        taken = Taken(*(taken.installation, key.name, taken.made_at, len(rows), shops, True), newest.made_at, unknown)
    session.add(
        PoolFile(
            trusted_key_id=key.id,
            made_at=document.made_at,
            digest=digest,
            content=gzip.compress(content, 6, mtime=0),
            rows=len(rows),
            shops=shops,
            taken_in_at=now,
            taken_in_by=asker.whom[:80],
        )
    )
    note_crossing(session, asker, "pool_file_in", f"{len(rows)} rows of installation {key.installation}", now=now)
    return taken


def other_spells(session: Session, numbers: dict[Hashable, int], first_free: int) -> dict[str, list[Spells]]:
    """Life records of the files in use, by component.

    `numbers` holds the machine numbers of the pseudonyms known here; whoever is not among them gets a new number. A
    machine without a pseudonym is never joined to another.
    """
    found: dict[str, list[Spells]] = {}
    known = set(session.scalars(select(ComponentType.slug)))

    def machine_of(key: Hashable, pseudonym: str | None) -> int:
        name = key if pseudonym is None else pseudonym
        return numbers.setdefault(name, first_free + len(numbers))

    for row in files_in_use(session):
        content = session.scalars(select(PoolFile.content).where(PoolFile.id == row.id)).one()
        document = read_file(gzip.decompress(content))
        for slug, spells in spells_of(document.rows(), row.installation, machine_of).items():
            if slug in known:
                found.setdefault(slug, []).append(spells)
    return found
