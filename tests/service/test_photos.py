"""Photos of an inspection: read by their first bytes, checked for size, kept whole or not at all."""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.inspection_cases import again, charging, find, path_of, pointers, start
from tests.service.job_files import content


def png() -> bytes:
    """One black dot, put together as RFC 2083, sections 3 and 4.1, says."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    dots = zlib.compress(b"\x00\x00")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", dots) + chunk(b"IEND", b"")


JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00\xff\xd9"  # SOI, APP0, EOI
WEBP = b"RIFF" + struct.pack("<I", 12) + b"WEBPVP8L" + bytes(4)


@pytest.fixture
def folder(app: WeakspotApp, tmp_path: Path) -> Iterator[Path]:
    """Where this test's photos go; at most 1 MB each, requests a little more."""
    app.settings = replace(app.settings, photo_folder=str(tmp_path / "pictures"), max_photo_mb=1)
    app.config["MAX_CONTENT_LENGTH"] = 3 * 1024**2
    yield tmp_path / "pictures"


def send(caller: Caller, inspection: dict[str, Any], data: bytes, query: str = "", name: str = "a.png") -> Any:
    """Post a photo; the form is written by hand, since the test client leaves a large one's temporary file open."""
    head = f'--x\r\nContent-Disposition: form-data; name="photo"; filename="{name}"\r\n\r\n'
    body = head.encode() + data + b"\r\n--x--\r\n"
    where = path_of(inspection, "photos") + query
    return caller.post(where, data=body, content_type="multipart/form-data; boundary=x")


@pytest.mark.parametrize(
    ("data", "kind", "suffix"),
    [(png(), "image/png", ".png"), (JPEG, "image/jpeg", ".jpg"), (WEBP, "image/webp", ".webp")],
)
def test_photo_is_kept_and_sent_back(gasket: Caller, folder: Path, data: bytes, kind: str, suffix: str) -> None:
    made = start(gasket)
    finding = find(gasket, made, charging(12.9))["finding"]
    # The name and the type the client claims say nothing: a folder in the name must not lead anywhere.
    response = send(gasket, made, data, f"?finding_id={finding['id']}&caption=plug", name="../../evil.exe")
    assert response.status_code == 201, response.text
    photo = response.get_json()
    assert (photo["content_type"], photo["size_bytes"], photo["caption"]) == (kind, len(data), "plug")
    assert photo["sha256"] == hashlib.sha256(data).hexdigest()
    assert photo["finding_id"] == finding["id"]
    assert [path.name for path in folder.iterdir()] == [photo["id"] + suffix]
    back = gasket.get(response.headers["Location"])
    assert (back.data, back.mimetype, back.headers["X-Content-Type-Options"]) == (data, kind, "nosniff")
    assert [p["id"] for p in again(gasket, made)["photos"]] == [photo["id"]]


@pytest.mark.parametrize(
    ("data", "query", "pointer"),
    [
        (b"", "", "/photo"),
        (b"<svg onload=alert(1)>", "", "/photo"),
        (b"GIF89a" + bytes(20), "", "/photo"),
        (b"%PDF-1.7", "", "/photo"),
        (png()[:7], "", "/photo"),
        (JPEG, "?finding_id=8d4a4c12-6f0e-4d2b-9a53-0c5e7b1f2a90", "/finding_id"),
        (JPEG, "?caption=" + "x" * 201, "/caption"),
    ],
)
def test_what_is_no_photo_leaves_nothing_behind(
    gasket: Caller, app: WeakspotApp, folder: Path, data: bytes, query: str, pointer: str
) -> None:
    made = start(gasket)
    kept = content(app.database)
    assert pointers(send(gasket, made, data, query)) == [pointer]
    assert content(app.database) == kept
    assert not folder.exists() or not list(folder.iterdir())


def test_too_large_a_photo_leaves_nothing_behind(gasket: Caller, app: WeakspotApp, folder: Path) -> None:
    made = start(gasket)
    kept = content(app.database)
    assert send(gasket, made, JPEG + bytes(1024**2)).status_code == 413
    assert content(app.database) == kept
    assert not folder.exists() or not list(folder.iterdir())


def test_file_goes_where_its_row_could_not(
    gasket: Caller, app: WeakspotApp, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(*_: Any) -> None:
        raise RuntimeError("disk gone")

    made = start(gasket)
    kept = content(app.database)
    monkeypatch.setattr(import_module("service.api.inspections"), "photo_reply", stumble)
    assert send(gasket, made, JPEG).status_code == 500
    assert content(app.database) == kept
    assert list(folder.iterdir()) == []


def test_another_shop_sees_no_photo(gasket: Caller, arches: Caller, folder: Path) -> None:
    made = start(gasket)
    where = send(gasket, made, JPEG).headers["Location"]
    assert arches.get(where).status_code == 404
    assert send(arches, made, JPEG).status_code == 404
    other = start(gasket)
    assert gasket.get(where.replace(made["id"], other["id"])).status_code == 404
    assert len(list(folder.iterdir())) == 1


def test_a_closed_inspection_takes_no_more_photos(gasket: Caller, folder: Path) -> None:
    made = start(gasket)
    gasket.post(path_of(made, "close"))
    pointers(send(gasket, made, JPEG), 409)
    assert not folder.exists()
