"""Whose turn it is to write: locks for threads and for processes that go to whoever has waited longest."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import threading
from collections import deque
from collections.abc import Iterator


class FairLock:
    """A lock for threads that goes to whoever has waited longest.

    `threading.Lock` goes to whoever asks first after its release, mostly the thread that just gave it up: of eight
    busy writers the unlucky ones waited ten turns and more.
    """

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._taken = False
        self._waiting: deque[threading.Lock] = deque()

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold the lock until the block ends."""
        with self._guard:
            turn = threading.Lock() if self._taken else None
            self._taken = True
            if turn is not None:
                turn.acquire()
                self._waiting.append(turn)
        try:
            if turn is not None:
                turn.acquire()  # given by whoever ends before us
            yield
        finally:
            self._end(turn)

    def _end(self, turn: threading.Lock | None) -> None:
        with self._guard:
            if turn is not None and turn in self._waiting:  # interrupted while it waited
                self._waiting.remove(turn)
            elif self._waiting:
                self._waiting.popleft().release()
            else:
                self._taken = False


class FileLock:
    """A lock among processes that goes to whoever has waited longest; of each process one thread may ask at a time.

    A lock on a file alone wakes all who wait when it is free, and whoever runs first has it: of eight busy writers one
    in a hundred waited for 25 others. Here everyone draws a number and locks the byte of the file with that number;
    who comes next waits for that byte, so a release wakes one process. Locks end with their process, however it ends:
    a number nobody holds any more is passed over.
    """

    def __init__(self, path: str) -> None:
        self._path = path
        self._file: int | None = None
        self._process = 0

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold the lock until the block ends."""
        file = self._opened()
        try:
            number = _draw(file)
            _lock(file, number - 1, 1)  # nearly always the last to go: all before it have been waited for
            _lock(file, 0, number)  # unless its process died while it waited itself
            yield
        finally:
            _unlock(file)

    def held_by_nobody(self) -> bool:
        """Take the lock for as long as the file stays open here, if nobody has it or waits for it."""
        try:
            _lock(self._opened(), 0, 0, wait=False)
        except (BlockingIOError, PermissionError):  # either may be said, see fcntl(2)
            return False
        return True

    def close(self) -> None:
        """Close the file; the next who asks opens it again."""
        if self._file is not None:
            os.close(self._file)
        self._file, self._process = None, 0

    def _opened(self) -> int:
        if self._file is None or self._process != os.getpid():
            # Also after a fork: a lock belongs to the opened file, which parent and child would share.
            self.close()
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            self._process = os.getpid()
        return self._file


def _draw(file: int) -> int:
    """Draw the next number, kept in the file's first eight bytes, and lock its byte."""
    fcntl.flock(file, fcntl.LOCK_EX)
    try:
        number = int.from_bytes(os.pread(file, 8, 0), "big") + 1
        os.pwrite(file, number.to_bytes(8, "big"), 0)
        _lock(file, number, 1)
        return number
    finally:
        fcntl.flock(file, fcntl.LOCK_UN)


# Locks on bytes that belong to the opened file (Linux). Elsewhere they belong to the process: two databases of one
# process on the same file then do not queue for each other, and SQLite's own lock is what keeps them apart.
_OPENED = hasattr(fcntl, "F_OFD_SETLKW")


def _lock(file: int, start: int, length: int, *, wait: bool = True) -> None:
    """Lock bytes of the file; a length of 0 means all from `start` on."""
    if _OPENED:
        asked = struct.pack("hhqqi", fcntl.F_WRLCK, os.SEEK_SET, start, length, 0)
        fcntl.fcntl(file, fcntl.F_OFD_SETLKW if wait else fcntl.F_OFD_SETLK, asked)
    else:
        fcntl.lockf(file, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB, length, start)


def _unlock(file: int) -> None:
    if _OPENED:
        fcntl.fcntl(file, fcntl.F_OFD_SETLK, struct.pack("hhqqi", fcntl.F_UNLCK, os.SEEK_SET, 0, 0, 0))
    else:
        fcntl.lockf(file, fcntl.LOCK_UN)
