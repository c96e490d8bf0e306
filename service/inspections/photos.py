"""Photos of an inspection: checked for size and for what they are, kept as files beside the database.

What a file is, its first bytes say, not its name or the type the client claims: JPEG (ISO/IEC 10918-1, annex B: SOI
marker), PNG (RFC 2083, section 3.1), WebP (RFC 9649, section 2.4).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import uuid
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.db import new_public_id
from service.errors import Conflict, InvalidInput, NotFound
from service.inspections.standing import Standing
from service.models import Photo
from service.settings import Settings

SUFFIXES = {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}


def type_of(start: bytes) -> str | None:
    """Content type that the first bytes of a file tell, or None."""
    if start.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return "image/webp"
    return None


@contextlib.contextmanager
def kept_photo(
    session: Session, standing: Standing, stream: IO[bytes], asked: Mapping[str, Any], settings: Settings, now: datetime
) -> Iterator[Photo]:
    """Write the file, then the row; where anything after fails, the file is taken away again.

    Raises
    ------
    InvalidInput
        If the file is empty, too large, no picture, or the finding is not of this inspection.
    Conflict
        If the inspection is closed.
    """
    row = standing.row
    if row.closed_at is not None:
        raise Conflict("this inspection is closed; start another one")
    most = settings.max_photo_mb * 1024 * 1024
    content = stream.read(most + 1)
    content_type = type_of(content[:16])
    if len(content) > most:
        raise InvalidInput(
            f"the photo is larger than {settings.max_photo_mb} MB (WEAKSPOT_MAX_PHOTO_MB)", pointer="/photo"
        )
    if content_type is None:
        raise InvalidInput("the file is no JPEG, PNG or WebP picture: send one of these", pointer="/photo")
    photo = Photo(
        public_id=new_public_id(),
        shop_id=row.shop_id,
        inspection_id=row.id,
        finding_id=_finding(standing, asked["finding_id"]),
        content_type=content_type,
        size_bytes=len(content),
        sha256=hashlib.sha256(content).digest(),
        caption=asked["caption"],
        recorded_at=now,
    )
    path = path_of(photo, settings)
    _write(path, content)
    try:
        session.add(photo)
        session.flush()
        yield photo
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def _finding(standing: Standing, public_id: uuid.UUID | None) -> int | None:
    if public_id is None:
        return None
    found = next((row.id for row in standing.rows if row.public_id == public_id), None)
    if found is None:
        raise InvalidInput("there is no such finding in this inspection", pointer="/finding_id")
    return found


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all: under another name first."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(path.suffix + ".part")
    with open(part, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def path_of(photo: Photo, settings: Settings) -> Path:
    """Where a photo's file lies; its name comes from the row, never from the client."""
    return settings.photos / f"{photo.public_id}{SUFFIXES[photo.content_type]}"


def photo_of(session: Session, standing: Standing, public_id: uuid.UUID) -> Photo:
    """One photo of an inspection.

    Raises
    ------
    NotFound
        Also for a photo of another inspection.
    """
    found = session.scalar(select(Photo).where(Photo.inspection_id == standing.row.id, Photo.public_id == public_id))
    if found is None:
        raise NotFound("there is no such photo in this inspection")
    return found


def photo_reply(photo: Photo, findings: Mapping[int, uuid.UUID]) -> dict[str, Any]:
    """A photo as shown; `findings` gives public ids."""
    return {
        "id": photo.public_id,
        "finding_id": None if photo.finding_id is None else findings.get(photo.finding_id),
        "content_type": photo.content_type,
        "size_bytes": photo.size_bytes,
        "sha256": photo.sha256.hex(),
        "caption": photo.caption,
        "recorded_at": photo.recorded_at,
    }
