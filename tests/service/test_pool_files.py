"""Files between installations: readable, signed, taken in once, superseded by newer ones, joined only by a key."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from sqlalchemy import select

from service.db import Database
from service.errors import Conflict, DomainError
from service.estimates import latest_release
from service.fitting import refit
from service.inspections.serving import snapshot_for
from service.lifetimes import read_dataset
from service.models import PoolFile, Shop
from service.pool.files import read_file, signed_file
from service.pool.inputs import pool_records
from service.pool.keys import make_key, private_key, pseudonym, public_text, revoke, trust
from service.pool.members import shops_with_records
from service.pool.sharing import COLUMNS, shared_by
from service.pool.taking_in import Taken, take_in_file
from service.pool.trail import COMMAND_LINE
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.pool_world import FRAMES, SHOPS, fill_pool

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
AGREED = "a key that both installations set, long enough"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def written(databases: Any, *, made_at: datetime = NOW, key: str = "", machines: int = 4, seed: int = 11) -> bytes:
    """A file of another installation with two shops."""
    url = databases.filled()
    there = Database(url, synchronous="OFF")
    fill_pool(there, ("Harbour Lathe", "Fell Road Garage"), machines=machines, seed=seed, frames=FRAMES)
    with there.read() as session:
        content = signed_file(shared_by(session, [1, 2], pseudonym_key=key), KEY, made_at)
    there.dispose()
    databases.drop(url)
    return content


@pytest.fixture
def theirs(databases: SqliteFiles | PostgresDatabases) -> bytes:
    return written(databases, key=AGREED)


def trusting(database: Database) -> None:
    with database.write() as session:
        trust(session, public_text(KEY.public_key()), "Harbour towns", now=NOW)


def take(database: Database, content: bytes) -> Taken:
    with database.write() as session:
        return take_in_file(session, content, asker=COMMAND_LINE, now=NOW)


def test_a_file_is_readable_and_tells_nothing_else(theirs: bytes) -> None:
    first, *rows, last = theirs.decode().splitlines()
    assert json.loads(first)["columns"] == list(COLUMNS) and json.loads(first)["rows"] == len(rows) > 8
    for word in ("Quillfeather", "plate", "QX", *FRAMES, "Harbour Lathe", "Fell Road", "2016", "2014-03", "0-0"):
        assert word not in theirs.decode().replace(first, "").replace(last, "")
    for line in rows:
        row = dict(zip(COLUMNS, json.loads(line), strict=True))
        assert row["exit_km"] % 250 == 0 and row["entry_months"] % 0.5 == 0
    # The reference for the signature is the library alone, by RFC 8032.
    seal = json.loads(last)
    public = Ed25519PublicKey.from_public_bytes(KEY.public_key().public_bytes_raw())
    public.verify(base64.b64decode(seal["signature"]), theirs[: theirs.rstrip(b"\n").rfind(b"\n") + 1])


def test_the_same_file_twice_changes_nothing_and_a_newer_one_supersedes(
    database: Database, databases: SqliteFiles | PostgresDatabases, theirs: bytes
) -> None:
    trusting(database)
    first = take(database, theirs)
    assert (first.changed, first.shops, first.replaces) == (True, 2, None)
    assert not take(database, theirs).changed
    newer = written(databases, made_at=NOW + timedelta(days=30), machines=5)
    assert take(database, newer).replaces == NOW
    with pytest.raises(Conflict, match="newer file"):
        take(database, theirs)
    with database.read() as session:
        assert len(session.scalars(select(PoolFile.id)).all()) == 2 and shops_with_records(session) == 2
    with database.write() as session:
        revoke(session, first.installation, now=NOW)
        assert shops_with_records(session) == 0


def changed(content: bytes, old: bytes, new: bytes) -> bytes:
    assert old in content
    return content.replace(old, new, 1)


def resigned(content: bytes, old: bytes, new: bytes) -> bytes:
    """A file whose maker wrote something else and signed it."""
    body = changed(content, old, new).rstrip(b"\n").rpartition(b"\n")[0] + b"\n"
    seal = {"signature": base64.b64encode(KEY.sign(body)).decode(), "public_key": public_text(KEY.public_key())}
    return body + json.dumps(seal).encode() + b"\n"


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda c: b"", "no pool file"),
        (lambda c: b"card,date\n1,2\n", "no pool file"),
        (lambda c: changed(c, b'"still_fitted"', b'"scheduled"'), "signature does not hold"),
        (lambda c: c.rstrip(b"\n").rpartition(b"\n")[0], "not a JSON object"),
        (lambda c: resigned(c, b'"version": 1', b'"version": 2'), "version 2"),
        (lambda c: resigned(c, b'"weakspot-pool"', b'"something"'), "no pool file"),
        (lambda c: resigned(c, b'"still_fitted"', b'"eaten"'), r"line \d+, removal: 'eaten'"),
        (lambda c: resigned(c, b'"entry_km"', b'"entry_mi"'), "header's columns"),
        (lambda c: changed(c, b'"installation": "', b'"installation": "0'), "another installation"),
    ],
)
def test_what_is_wrong_with_a_file_is_named(database: Database, theirs: bytes, spoil: Any, said: str) -> None:
    trusting(database)
    with pytest.raises(DomainError, match=said):
        take(database, spoil(theirs))
    with database.read() as session:
        assert session.scalars(select(PoolFile.id)).all() == []


def test_only_trusted_keys_and_never_ones_own_file(database: Database, theirs: bytes) -> None:
    with pytest.raises(Conflict, match="not trusted"):
        take(database, theirs)
    trusting(database)
    with database.write() as session, pytest.raises(Conflict, match="made here"):
        own = read_file(theirs).installation
        take_in_file(session, theirs, asker=COMMAND_LINE, now=NOW, own_installation=own)


def machines_of_stators(database: Database, key: str) -> tuple[int, int]:
    """Distinct machines, and rows, behind one component of the pool."""
    with database.read() as session:
        dataset = read_dataset(session)
        spells = pool_records(session, dataset, dataset.life_records(), key)["regulator_rectifier"]
    return len(set(spells.machine.tolist())), len(spells)


def test_machines_are_joined_by_the_agreed_key_alone(database: Database, theirs: bytes) -> None:
    """Both sides know the two machines with frame numbers; they have six and four machines a shop."""
    trusting(database)
    fill_pool(database, SHOPS[:2], frames=FRAMES, seed=11)
    alone = machines_of_stators(database, AGREED)
    take(database, theirs)
    assert machines_of_stators(database, "")[0] == alone[0] + 8
    joined, rows = machines_of_stators(database, AGREED)
    assert joined == alone[0] + 6 and rows < machines_of_stators(database, "")[1]
    assert machines_of_stators(database, AGREED + "x")[0] == alone[0] + 8


def test_pseudonyms_are_keyed_digests_of_frame_numbers_only() -> None:
    expected = hmac.new(AGREED.encode(), FRAMES[0].encode(), hashlib.sha256).hexdigest()[:32]
    assert pseudonym(AGREED, FRAMES[0]) == pseudonym(AGREED, f" {FRAMES[0].lower()} ") == expected
    assert pseudonym(AGREED, "LN65-0100127") is not None
    assert [pseudonym(AGREED, name) for name in ("M1", "CG-00012", "the red one")] == [None] * 3
    assert pseudonym("", FRAMES[0]) is None


def test_their_records_take_part_in_the_fit_as_other_shops_do(database: Database, theirs: bytes) -> None:
    trusting(database)
    fill_pool(database, SHOPS[:1])
    refit(database, pool_open=True, now=NOW)
    take(database, theirs)
    (report,) = refit(database, pool_open=True, now=NOW)
    assert report.fitted > 40  # all components learn from them
    with database.read() as session:
        shop_id = session.scalars(select(Shop.id)).one()
        snapshot = snapshot_for(session, shop_id, pool_open=True)
        release = latest_release(session, None)
    evidence = snapshot.fits["regulator_rectifier"].evidence
    assert evidence[:, 3].max() == 3 and release is not None and len(release.counts["pool_files"]) == 1


def test_keys_are_made_once_and_kept_private(tmp_path: Path) -> None:
    path = tmp_path / "keys" / "pool.pem"
    text = make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600 and public_text(private_key(path).public_key()) == text
    with pytest.raises(Conflict, match="already"):
        make_key(path)
    path.write_text("no key")
    with pytest.raises(DomainError, match="PEM"):
        private_key(path)
    with pytest.raises(DomainError, match="pool key"):
        private_key(tmp_path / "none")
