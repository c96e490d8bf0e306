"""Who is at work under which number, among all threads and processes that share an SQLite file."""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from collections.abc import Iterator


class AlreadyClaimed(Exception):
    """Somebody else is at work under this number."""


class KeyClaims:
    """Claims that are never waited for and end with their process, however it ends.

    Threads of one process are told apart by a set, processes by locks on single bytes of one file. Such locks go with
    any closing of the file by the process: it is opened once and kept open.
    """

    def __init__(self, path: str | None) -> None:
        self._path = path
        self._guard = threading.Lock()
        self._held: set[int] = set()
        self._file: int | None = None

    @contextlib.contextmanager
    def held(self, number: int) -> Iterator[None]:
        """Claim a number (below 2 ** 62) until the block ends."""
        with self._guard:
            if number in self._held or not self._locked(number):
                raise AlreadyClaimed
            self._held.add(number)
        try:
            yield
        finally:
            with self._guard:
                self._held.discard(number)
                if self._file is not None:
                    fcntl.lockf(self._file, fcntl.LOCK_UN, 1, number)

    def close(self) -> None:
        """Close the file."""
        with self._guard:
            if self._file is not None:
                os.close(self._file)
                self._file = None

    def _locked(self, number: int) -> bool:
        if self._path is None:
            return True
        if self._file is None:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.lockf(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, number)
        except OSError:
            return False
        return True
