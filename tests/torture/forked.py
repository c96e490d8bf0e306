"""Servers that start in a moment: forked from a process that has everything loaded, and killed like any other.

Loading takes seconds of processor time; a test that kills a server a hundred times would do hardly anything else.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from tests.service.live import ROOT, Live, environment

_MAKER = multiprocessing.get_context("forkserver")
_MAKER.set_forkserver_preload(
    ["service.app", "service.server", "service.imports.jobs", "service.migrate", "tests.torture.forked"]
)


class Forked:
    """As much of `subprocess.Popen` as `Live` asks for."""

    def __init__(self, process: ForkServerProcess) -> None:
        self._process = process
        self.pid = process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("weakspot", timeout)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        assert self.pid is not None
        os.kill(self.pid, number)


def start_forked(arguments: list[str], database_url: str, log: Path, port: int = 0, **settings: str) -> Live:
    """Start the command in a process group of its own, as `tests.service.live.start` does."""
    process = _MAKER.Process(target=_run, args=(arguments, environment(database_url, **settings), str(log)))
    process.start()
    return Live(Forked(process), port, log)  # type: ignore[arg-type]


def killed_on_the_way(url: str, way: str, revision: str, seconds: float) -> bool:
    """Move a database up or down in a process of its own and kill that; True if it had not ended by itself."""
    begun, says = _MAKER.Pipe(duplex=False)
    process = _MAKER.Process(target=_move, args=(url, way, revision, says))
    process.start()
    says.close()
    with begun:
        begun.recv()  # everything is loaded; the step begins
        process.join(seconds)
        late = process.exitcode is None
        if late:
            process.kill()
            process.join()
        assert late or process.exitcode == 0
    return late


def _move(url: str, way: str, revision: str, says: Connection) -> None:
    from service.db import Database
    from service.migrate import downgrade, upgrade

    database = Database(url)
    says.send(None)
    (upgrade if way == "up" else downgrade)(database, revision)


def _run(arguments: list[str], env: dict[str, str], log: str) -> None:
    os.setsid()
    os.chdir(ROOT)
    os.environ.clear()
    os.environ.update(env)
    with open(log, "ab") as out:
        for number in (1, 2):
            os.dup2(out.fileno(), number)
    sys.argv = ["weakspot", *arguments]
    from service.cli import main

    main()
