"""The disk fills up while cards are written: said so, nothing acknowledged lost, reading goes on, and it recovers.

As root on Linux the disk is a small tmpfs; elsewhere the server's files may not grow beyond a limit (RLIMIT_FSIZE),
which is lifted again.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service.db import Database
from service.models import JobCard
from tests.service.databases import SqliteFiles
from tests.service.live import Live, Reply, ask, served, token_of
from tests.torture.counts import times

MEGABYTES = times(40, 12)
ROUNDS = times(5, 1)
NOTE = "n" * 900
Freed = Callable[[], None]


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[bool]:
    """A tmpfs over the folder; False where none can be mounted."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={MEGABYTES}m", "tmpfs", str(folder)]
    mounted = sys.platform == "linux" and os.geteuid() == 0
    mounted = mounted and subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


@contextlib.contextmanager
def no_room(live: Live, folder: Path, mounted: bool) -> Iterator[None]:
    """Leave no room for the length of a block."""
    if mounted:
        ballast = folder / "ballast"
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(b"\0" * 65_536)
        with ballast.open("ab", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(b"\0" * 512)
        yield
        ballast.unlink()
        return
    most = max((path.stat().st_size for path in folder.iterdir() if path.is_file()), default=0)
    kept = {pid: resource.prlimit(pid, resource.RLIMIT_FSIZE) for pid in live.pids()}
    for pid, (_, hard) in kept.items():
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (min(most, 8192), hard))
    yield
    # what was started meanwhile has inherited the limit
    for pid in live.pids():
        resource.prlimit(pid, resource.RLIMIT_FSIZE, kept.get(pid, next(iter(kept.values()))))


def write(live: Live, token: str, card: str) -> Reply:
    line = {
        **{"card": card, "date": "2020-01-01", "machine": "W1", "component": "stator", "notes": NOTE},
        **{"make": "Tindrake", "model": "Lanner 650", "first_registered": "2010-01-01"},
        **{"action": "renewed", "reason": "failed"},
    }
    body = json.dumps(line).encode()
    return ask(live, "POST", "/api/v1/job-lines", token=token, body=body, Content_Type="application/json")


def test_a_full_disk_is_said_and_survived(tmp_path: Path) -> None:
    folder = tmp_path / "disk"
    folder.mkdir()
    with small_disk(folder) as mounted:
        url = SqliteFiles(folder).filled()
        token = token_of(url)
        with served(url, tmp_path / "log", fit_after_seconds="0", request_seconds="10") as live:
            acknowledged = [
                card for number in range(ROUNDS) for card in fill_once(live, token, folder, mounted, number)
            ]
            assert live.stop() == 0
        database = Database(url)
        with database.read() as session:
            on_record = set(session.scalars(select(JobCard.number)))
            sound = session.connection().exec_driver_sql("PRAGMA integrity_check").scalar()
        database.dispose()
    print(f"{'tmpfs' if mounted else 'RLIMIT_FSIZE'}: {ROUNDS} times full, {len(acknowledged)} acknowledged and there")
    assert set(acknowledged) <= on_record
    assert sound == "ok"


def fill_once(live: Live, token: str, folder: Path, mounted: bool, number: int) -> list[str]:
    written = []
    for count in range(3):
        assert write(live, token, f"before-{number}-{count}").status == 201
        written.append(f"before-{number}-{count}")
    with no_room(live, folder, mounted):
        refused: list[Reply] = []
        for count in range(2000):
            answer = write(live, token, f"full-{number}-{count}")
            if answer.status == 201:  # the write-ahead log may have room left
                written.append(f"full-{number}-{count}")
                continue
            refused.append(answer)
            if len(refused) == 5:
                break
        assert len(refused) == 5, "the disk was never full"
        for answer in refused:
            assert answer.status in (503, 507), answer.body
            assert answer.headers["content-type"] == "application/problem+json"
        assert ask(live, "GET", "/api/v1/machines", token=token).status == 200
        assert ask(live, "GET", "/api/v1/job-lines?limit=5", token=token).status == 200
        assert ask(live, "GET", "/health").status == 200
        if mounted:
            assert ask(live, "GET", "/ready").status == 503
    assert ask(live, "GET", "/ready").status == 200
    assert write(live, token, f"after-{number}").status == 201
    return [*written, f"after-{number}"]


if sys.platform != "linux":
    pytest.skip("limits of another process can be set on Linux only", allow_module_level=True)
