"""A body that is too large is refused at once, with and without its length told, and held nowhere."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

import pytest

from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.live import Live, ask, resident_kb, served, token_of

HUNDRED_MB = 100 * 1024**2
CHUNK = b"a,b\n" * 16_384  # 64 KiB
FORM_HEAD = b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n'
FORM = "multipart/form-data; boundary=x"
PATHS = {FORM: "/api/v1/imports", "application/json": "/api/v1/rankings"}
MOST_EXTRA_KB = 10 * 1024
FORGET_SECONDS = 20


@pytest.fixture(scope="module")
def live(
    databases: SqliteFiles | PostgresDatabases, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Live, str]]:
    url = databases.filled()
    token = token_of(url)
    # One process: a second one that is still being born would count as memory taken by the body.
    log = tmp_path_factory.mktemp("live") / "log"
    with served(url, log, workers=1, max_upload_mb="20", request_seconds="2") as server:
        yield server, token
    databases.drop(url)


def send(live: Live, token: str, media_type: str, *, told: bool) -> tuple[int, bytes, float]:
    """Send 100 MB and give back status, the answer's head and body, and the seconds from the first byte sent."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", live.port), timeout=FORGET_SECONDS) as connection:
        length = f"Content-Length: {HUNDRED_MB}" if told else "Transfer-Encoding: chunked"
        head = (
            f"POST {PATHS[media_type]} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {token}\r\n"
            f"Content-Type: {media_type}\r\n{length}\r\n\r\n"
        )
        connection.sendall(head.encode())
        try:
            sent = 0
            while sent < HUNDRED_MB:
                part = FORM_HEAD + CHUNK if sent == 0 else CHUNK
                part = part[: HUNDRED_MB - sent]
                connection.sendall(part if told else f"{len(part):x}\r\n".encode() + part + b"\r\n")
                sent += len(part)
            if not told:
                connection.sendall(b"0\r\n\r\n")
        except OSError:
            pass  # the server may hang up on us after it has answered
        answer = connection.recv(65_536)
        while b"\r\n\r\n" not in answer or not answer.endswith(b"}"):
            more = connection.recv(65_536)
            if not more:
                break
            answer += more
    return int(answer.split(b" ", 2)[1]), answer, time.monotonic() - began


@pytest.mark.parametrize("told", [True, False], ids=["length told", "chunked"])
@pytest.mark.parametrize("media_type", [FORM, "application/json"])
def test_hundred_megabytes_are_refused_and_not_kept(live: tuple[Live, str], media_type: str, told: bool) -> None:
    server, token = live
    assert ask(server, "GET", "/api/v1/machines", token=token).status == 200
    before = resident_kb(server.pids())
    status, answer, seconds = send(server, token, media_type, told=told)
    grown = resident_kb(server.pids()) - before
    print(f"{media_type}, {'told' if told else 'chunked'}: {status} after {seconds:.2f} s, {grown} KiB more")
    assert (status, b"WEAKSPOT_MAX_" in answer) == (413, True)
    assert grown <= MOST_EXTRA_KB
    assert ask(server, "GET", "/api/v1/machines", token=token).status == 200


def test_a_body_that_trickles_in_is_given_up(live: tuple[Live, str]) -> None:
    server, token = live
    with socket.create_connection(("127.0.0.1", server.port), timeout=FORGET_SECONDS) as connection:
        head = (
            f"POST /api/v1/rankings HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {token}\r\n"
            "Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"
        )
        connection.sendall(head.encode())
        answer = connection.recv(65_536)
    assert answer.split(b" ", 2)[1] == b"408"
