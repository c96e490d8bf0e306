"""A real server is sent 100 MB and workbooks made to burst: refused at once, and the peak of its memory hardly moves.

The kinds of workbooks and their sources are those of `tests/service/test_import_bombs.py`. Seconds and peaks are
printed; the second is held under `make torture`, on a machine that does nothing else.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.job_files import csv_file, row
from tests.service.live import Live, ask, resident_kb, served, token_of
from tests.service.test_import_bombs import BOMBS, workbook
from tests.service.test_upload_limits import FORM, send
from tests.torture.counts import FULL, times

ROUNDS = times(20, 1)
AN_UPLOAD_KB, A_BOMB_KB = 10 * 1024, 100 * 1024
SECOND = 1.0


@pytest.fixture(scope="module")
def live(
    databases: SqliteFiles | PostgresDatabases, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Live, str]]:
    url = databases.filled()
    token = token_of(url)
    folder = tmp_path_factory.mktemp("uploads")
    with served(url, folder / "log", workers=1, max_upload_mb="20", fit_after_seconds="0") as server:
        # What reading files loads is loaded before anything is measured.
        for name, data in (("a.csv", csv_file([row()])), ("a.xlsx", workbook())):
            send_file(server, token, name, data)
        yield server, token
    databases.drop(url)


def send_file(live: Live, token: str, name: str, data: bytes) -> int:
    """Send a file as a form does; the status."""
    head = f'--x\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode()
    body = head + data + b"\r\n--x--\r\n"
    return ask(live, "POST", "/api/v1/imports", token=token, body=body, Content_Type=FORM).status


def peak_kb(pids: list[int]) -> int:
    """The most memory each process ever held since `forget_peak` (VmHWM of /proc), together."""
    total = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
                total += int(line.split()[1]) if line.startswith("VmHWM:") else 0
    return total


def forget_peak(pids: list[int]) -> None:
    for pid in pids:
        Path(f"/proc/{pid}/clear_refs").write_text("5", encoding="ascii")  # proc(5): resets the peak


def measured(live: Live, what: str, once: Callable[[], int]) -> tuple[set[int], int]:
    """Statuses of every round, and by how much the peak rose above what the server held before."""
    pids = live.pids()
    before = resident_kb(pids)
    forget_peak(pids)
    statuses, slowest = set(), 0.0
    for _ in range(ROUNDS):
        began = time.monotonic()
        statuses.add(once())
        slowest = max(slowest, time.monotonic() - began)
    grown = peak_kb(pids) - before
    print(f"{what}: {sorted(statuses)}, slowest {slowest:.2f} s, peak {grown} KiB above")
    assert not FULL or slowest <= SECOND
    return statuses, grown


@pytest.mark.parametrize("told", [True, False], ids=["length told", "chunked"])
def test_hundred_megabytes(live: tuple[Live, str], told: bool) -> None:
    server, token = live
    statuses, grown = measured(server, "100 MB", lambda: send(server, token, FORM, told=told)[0])
    assert (statuses, grown <= AN_UPLOAD_KB) == ({413}, True), grown


@pytest.mark.parametrize("kind", BOMBS)
def test_workbooks_made_to_burst(live: tuple[Live, str], kind: str) -> None:
    server, token = live
    statuses, grown = measured(server, kind, lambda: send_file(server, token, "bomb.xlsx", BOMBS[kind]))
    assert statuses <= {413, 422} and grown <= A_BOMB_KB, (statuses, grown)
    assert ask(server, "GET", "/api/v1/machines", token=token).status == 200
