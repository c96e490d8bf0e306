"""Files between installations: a header, a row a line, and a signature over all of it. Readable as it is.

    {"format": "weakspot-pool", "version": 1, "installation": "...", "made_at": "...", "columns": [...], ...}
    ["stator", "Tindrake", "TD-T2", "Lanner 650", null, 0, "original", ...]
    {"signature": "...", "public_key": "ed25519:..."}

JSON Lines in UTF-8; rows in the order of the header's columns. The signature (Ed25519, RFC 8032) covers every byte
before the last line.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from analytics.sharing_rule import DISTANCE_STEP_KM, MONTH_DAYS
from service.errors import FileRefused
from service.pool.keys import installation_of, public_bytes, public_text
from service.pool.rows import check_row
from service.pool.sharing import COLUMNS, Shared

FORMAT, VERSION = "weakspot-pool", 1
MOST_BYTES = 1_000_000_000
LINES_AT_ONCE = 500


@dataclass(frozen=True)
class PoolDocument:
    """A file taken apart: who made it when, the signed bytes, and the signature; rows are read later."""

    installation: str
    made_at: datetime
    public_key: bytes
    signature: bytes
    signed: bytes

    def rows(self) -> list[dict[str, Any]]:
        """Every row, checked."""
        found = []
        for number, line in enumerate(self.signed.split(b"\n")[1:-1], start=2):
            try:
                row = json.loads(line)
            except (ValueError, RecursionError):
                raise FileRefused(f"line {number} is not JSON") from None
            if not isinstance(row, list) or len(row) != len(COLUMNS):
                raise FileRefused(f"line {number}: a row is a list of {len(COLUMNS)} values, as the header names them")
            found.append(check_row(dict(zip(COLUMNS, row, strict=True)), number))
        return found


def header(installation: str, made_at: datetime, shared: Shared) -> dict[str, Any]:
    """The first line of a file."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "installation": installation,
        "made_at": made_at.isoformat(timespec="seconds"),
        "rows": len(shared),
        "shops": len(
            {code for own in shared.spells.values() for code in (shared.shop_codes[s] for s in set(own.shop))}
        ),
        "columns": list(COLUMNS),
        "distance_step_km": DISTANCE_STEP_KM,
        "month_days": MONTH_DAYS,
    }


def lines(shared: Shared, first: dict[str, Any] | None = None) -> Iterator[bytes]:
    """A header that names the columns, and the rows, a line each."""
    yield json.dumps(first or {"columns": list(COLUMNS)}, ensure_ascii=False).encode() + b"\n"
    written = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
    for row in shared.values():
        yield written(row).encode() + b"\n"


def in_parts(written: Iterator[bytes]) -> Iterator[bytes]:
    """Some lines at a time, to be sent while the rest is being written."""
    while part := b"".join(islice(written, LINES_AT_ONCE)):
        yield part


def signed_file(shared: Shared, key: Ed25519PrivateKey, made_at: datetime) -> bytes:
    """The whole file."""
    public = public_text(key.public_key())
    first = header(installation_of(public_bytes(public)), made_at, shared)
    body = b"".join(lines(shared, first))
    seal = {"signature": base64.b64encode(key.sign(body)).decode(), "public_key": public}
    return body + json.dumps(seal).encode() + b"\n"


def read_file(content: bytes) -> PoolDocument:
    """Take a file apart; nothing in it is believed before its signature is checked."""
    if len(content) > MOST_BYTES:
        raise FileRefused(f"the file is larger than {MOST_BYTES:,} bytes")
    head, _, _ = content.partition(b"\n")
    body, _, last = content.rstrip(b"\n").rpartition(b"\n")
    first, seal = _object(head, "first"), _object(last, "last")
    if first.get("format") != FORMAT:
        raise FileRefused(f"this is no pool file: its first line does not say format {FORMAT!r}")
    if first.get("version") != VERSION:
        raise FileRefused(f"version {first.get('version')!r} of the format is not known here; known is {VERSION}")
    if set(seal) != {"signature", "public_key"}:
        raise FileRefused("the file is not signed: its last line holds no signature")
    try:
        public = public_bytes(str(seal["public_key"]))
        signature = base64.b64decode(str(seal["signature"]), validate=True)
        made_at = datetime.fromisoformat(str(first["made_at"]))
    except (KeyError, ValueError, binascii.Error):
        raise FileRefused("the file's time or signature cannot be read") from None
    if made_at.tzinfo is None or first.get("installation") != installation_of(public):
        raise FileRefused("the file names another installation than the one whose key signed it")
    if first.get("columns") != list(COLUMNS):
        raise FileRefused(f"the header's columns are not those of version {VERSION}: {', '.join(COLUMNS)}")
    return PoolDocument(str(first["installation"]), made_at, public, signature, body + b"\n")


def _object(line: bytes, which: str) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise FileRefused(f"this is no pool file: its {which} line is not a JSON object")
    return found
