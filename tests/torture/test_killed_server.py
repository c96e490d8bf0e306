"""The server's whole process group is killed without warning, again and again, while six callers write.

Whatever was answered 201 is on record; what was written without an answer is answered on a repeat with the same key,
and is there once; the database is sound.
"""

from __future__ import annotations

import json
import random
import sqlite3
import threading
import time
import uuid
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.client import HTTPException
from pathlib import Path

import pytest
from sqlalchemy import func, select

from service.db import Database
from service.models import JobCard, JobLine
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.live import Live, Reply, ask, free_port, serve, token_of
from tests.torture.counts import times
from tests.torture.forked import start_forked

WRITERS = 6
KILLS = times(100, 2)
LINES = "/api/v1/job-lines"


@dataclass
class Writer:
    """Writes cards one after another; a card without an answer is sent again, with its key, until there is one."""

    number: int
    token: str
    port: int
    acknowledged: set[str] = field(default_factory=set)
    repeated: int = 0
    unheard: int = 0  # stored by a server that was killed before it could say so
    refused: list[tuple[int, bytes]] = field(default_factory=list)

    def work(self, stop: threading.Event) -> None:
        count = 0
        while not stop.is_set():
            count += 1
            self._write(f"w{self.number}-{count}", stop)

    def _write(self, card: str, stop: threading.Event) -> None:
        key, lost = uuid.uuid4().hex, None
        while True:
            try:
                answer = self._send(card, key)
            except (OSError, HTTPException):
                self.repeated, lost = self.repeated + 1, datetime.now(UTC)
                if stop.wait(0.2) and not self._up():
                    return
                continue
            if answer.status == 201:
                self.acknowledged.add(card)
                self.unheard += lost is not None and datetime.fromisoformat(answer.json()["recorded_at"]) < lost
                return
            if answer.status not in (409, 503):  # in flight; not reachable at the moment
                self.refused.append((answer.status, answer.body))
                return
            time.sleep(0.05)

    def _send(self, card: str, key: str) -> Reply:
        line = {
            **{"card": card, "date": "2020-01-01", "machine": f"W{self.number}", "component": "stator"},
            **{"make": "Tindrake", "model": "Lanner 650", "first_registered": "2010-01-01"},
            **{"action": "renewed", "reason": "failed"},
        }
        live = Live(None, self.port)  # type: ignore[arg-type]
        headers = {"Content_Type": "application/json", "Idempotency_Key": key}
        return ask(live, "POST", LINES, token=self.token, body=json.dumps(line).encode(), timeout=20, **headers)

    def _up(self) -> bool:
        try:
            return ask(Live(None, self.port), "GET", "/health", timeout=2).status == 200  # type: ignore[arg-type]
        except (OSError, HTTPException):
            return False


@pytest.mark.parametrize("synchronous", ["NORMAL", "FULL"])
def test_what_was_acknowledged_is_there(
    databases: SqliteFiles | PostgresDatabases, tmp_path: Path, synchronous: str
) -> None:
    if isinstance(databases, PostgresDatabases) and synchronous == "NORMAL":
        return  # a setting of SQLite's
    url = databases.filled()
    token, port, draw = token_of(url), free_port(), random.Random(20260601)
    options: dict[str, str] = {"sqlite_synchronous": synchronous, "fit_after_seconds": "0"}
    writers = [Writer(number, token, port) for number in range(WRITERS)]
    stop = threading.Event()
    live = serve(url, tmp_path / "log", port=port, starting=start_forked, **options)
    threads = [threading.Thread(target=writer.work, args=(stop,)) for writer in writers]
    for thread in threads:
        thread.start()
    try:
        for _ in range(KILLS):
            time.sleep(draw.uniform(0.2, 1.5))
            live.kill()
            live = serve(url, tmp_path / "log", port=port, starting=start_forked, **options)
        time.sleep(1)
    finally:
        stop.set()  # also where the server does not come up again: nobody writes on for ever
    for thread in threads:
        thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in threads)
    live.kill()
    assert [writer.refused for writer in writers] == [[]] * WRITERS
    acknowledged = set[str]().union(*(writer.acknowledged for writer in writers))
    repeated = sum(writer.repeated for writer in writers)
    unheard = sum(writer.unheard for writer in writers)
    print(
        f"{url.split(':')[0]} {synchronous}: {KILLS} kills, {len(acknowledged)} written, {repeated} sent again,"
        f" {unheard} of them stored before and never told"
    )
    assert len(acknowledged) > WRITERS and repeated > 0
    check(url, acknowledged)
    databases.drop(url)


def check(url: str, acknowledged: set[str]) -> None:
    database = Database(url)
    with database.read() as session:
        statement = select(JobCard.number, func.count(JobLine.id)).join(JobLine).group_by(JobCard.number)
        on_record: dict[str, int] = {number: count for number, count in session.execute(statement)}
    database.dispose()
    assert acknowledged - set(on_record) == set()
    assert set(on_record.values()) == {1}
    # Nothing else: every card was sent until it was answered.
    assert set(on_record) == acknowledged
    if url.startswith("sqlite"):
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as file:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert file.execute("PRAGMA foreign_key_check").fetchall() == []
