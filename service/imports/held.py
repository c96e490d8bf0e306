"""A file that somebody is still looking at: kept with how it is to be read until it is taken in or put away."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from itertools import islice
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.errors import NotFound
from service.imports.faults import shorten
from service.imports.jobs import digest_of
from service.imports.options import ReadOptions
from service.imports.sources import open_source
from service.models import ImportJob

HELD = "shown"  # the stage of an import nobody has asked to be done yet
LET_GO_AFTER = timedelta(days=2)
LOOKED_AT_BYTES = 2 * 1024 * 1024  # of a larger text file the beginning is looked at before it is taken in
SHOWN_CHARACTERS = 60


def hold_file(session: Session, shop_id: int, content: bytes, *, file_name: str, now: datetime) -> ImportJob:
    """Keep a file; those of the shop that nobody came back to are let go."""
    old = ImportJob.shop_id == shop_id, ImportJob.state == "queued", ImportJob.stage == HELD
    session.execute(delete(ImportJob).where(*old, ImportJob.asked_at < now - LET_GO_AFTER))
    held = ImportJob(
        shop_id=shop_id, file_name=shorten(file_name)[:255], digest=digest_of(content), content=content, options={},
        state="queued", stage=HELD, done=0, total=0, asked_at=now,
    )  # fmt: skip
    session.add(held)
    session.flush()
    return held


def held_file(session: Session, shop_id: int, public_id: uuid.UUID) -> ImportJob:
    """A file of this shop that is still looked at."""
    held = session.scalar(
        select(ImportJob).where(ImportJob.shop_id == shop_id, ImportJob.public_id == public_id, ImportJob.stage == HELD)
    )
    if held is None or held.content is None:
        raise NotFound("this file is not kept here any more; send it again")
    return held


def beginning_of(content: bytes) -> tuple[bytes, bool]:
    """What of a file is looked at beforehand, and whether that is all of it; of a long text its first lines."""
    if len(content) <= LOOKED_AT_BYTES or content.startswith(b"PK") or b"\x00" in content[:4096]:
        return content, True
    return content[: content.rindex(b"\n", 0, LOOKED_AT_BYTES) + 1], False


def first_rows(content: bytes, options: ReadOptions, most: int) -> list[list[str]]:
    """The header and the first rows as they are written, cut to a fixed width."""
    records = open_source(content, options).records
    return [[shorten(cell)[:SHOWN_CHARACTERS] for cell in cells] for _line, cells in islice(records, most + 1)]


def options_with(wishes: Mapping[str, Any]) -> dict[str, Any]:
    """What was said about a file, without what was left open."""
    return {name: value for name, value in wishes.items() if value not in (None, "", {})}
