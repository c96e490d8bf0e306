"""A real server in processes of its own, to be spoken to over HTTP and to be killed."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
START_SECONDS = 180.0  # of a machine that does much else: a server that never answers is what is meant


def free_port() -> int:
    """A port nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def environment(database_url: str, **settings: str) -> dict[str, str]:
    """This process's environment with the settings given in place of its own."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("WEAKSPOT_")}
    named = {f"WEAKSPOT_{name.upper()}": value for name, value in settings.items()}
    return own | {"WEAKSPOT_DATABASE_URL": database_url, "OPENBLAS_NUM_THREADS": "1"} | named


def weakspot(database_url: str, *arguments: str, **settings: str) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    command = [sys.executable, "-m", "service.cli", *arguments]
    env = environment(database_url, **settings)
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=300, check=False)


@dataclass
class Live:
    """One server, or one worker, with all its processes in a group."""

    process: subprocess.Popen[bytes]
    port: int = 0
    log: Path | None = None
    killed: bool = field(default=False)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def kill(self) -> None:
        """End the whole group at once, without warning."""
        self.killed = True
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(timeout=30)

    def stop(self) -> int:
        """Ask it to end; its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(timeout=60)
        finally:
            self.kill()

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log else ""

    def pids(self) -> list[int]:
        """All processes of the group."""
        found = subprocess.run(["ps", "-o", "pid=", "-g", str(self.process.pid)], capture_output=True, text=True)
        return [int(line) for line in found.stdout.split()]


def start(arguments: list[str], database_url: str, log: Path, port: int = 0, **settings: str) -> Live:
    """Start the command in a process group of its own."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", *arguments],
            cwd=ROOT,
            env=environment(database_url, **settings),
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    return Live(process, port, log)


def serve(
    database_url: str,
    log: Path,
    *,
    port: int | None = None,
    workers: int = 2,
    starting: Callable[..., Live] = start,
    **settings: str,
) -> Live:
    """Start a server and wait until it answers."""
    port = port or free_port()
    arguments = ["serve", "--port", str(port), "--workers", str(workers)]
    live = starting(arguments, database_url, log, port, **settings)
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if live.process.poll() is not None:
            raise AssertionError(f"the server ended with {live.process.returncode}: {live.said()[-2000:]}")
        with contextlib.suppress(OSError), urllib.request.urlopen(f"{live.url}/health", timeout=2):
            return live
        time.sleep(0.05)
    live.kill()
    raise AssertionError(f"the server does not answer: {live.said()[-2000:]}")


@contextlib.contextmanager
def served(database_url: str, log: Path, **options: Any) -> Iterator[Live]:
    """A server for the length of a block."""
    live = serve(database_url, log, **options)
    try:
        yield live
    finally:
        live.kill()


def token_of(database_url: str, shop: str = "The Cog & Gasket") -> str:
    """A fresh token of a shop."""
    done = weakspot(database_url, "token", "create", "--shop", shop)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()[-1]


@dataclass(frozen=True)
class Reply:
    """What came back: status, headers in small letters, body."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


def ask(
    live: Live,
    method: str,
    path: str,
    *,
    token: str = "",
    body: bytes | None = None,
    timeout: float = 30,
    **headers: str,
) -> Reply:
    """One request on a connection of its own; `OSError` where the server went away."""
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    if token:
        sent["Authorization"] = f"Bearer {token}"
    connection = HTTPConnection("127.0.0.1", live.port, timeout=timeout)
    try:
        connection.request(method, path, body=body, headers=sent)
        answer = connection.getresponse()
        return Reply(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
    finally:
        connection.close()


def resident_kb(pids: list[int]) -> int:
    """Memory held by processes together (VmRSS of /proc)."""
    total = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
                if line.startswith("VmRSS:"):
                    total += int(line.split()[1])
    return total
