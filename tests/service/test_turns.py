"""Writers take turns, threads and processes: who has waited longest is next, and one that is gone is passed over."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path

import pytest

from service.turns import FairLock, FileLock

SPAWN = multiprocessing.get_context("spawn")


def wait_until_waiting(lock: FairLock, count: int) -> None:
    until = time.monotonic() + 10
    while len(lock._waiting) < count:
        assert time.monotonic() < until
        time.sleep(0.001)


def test_turns_come_in_the_order_asked() -> None:
    lock, order = FairLock(), []

    def work(number: int) -> None:
        with lock.held():
            order.append(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    with lock.held():
        for count, thread in enumerate(threads, 1):
            thread.start()
            wait_until_waiting(lock, count)
    for thread in threads:
        thread.join(10)
    assert order == list(range(8))


def test_one_at_a_time_and_free_after_an_error() -> None:
    lock, inside, most = FairLock(), [0], [0]

    def work() -> None:
        for _ in range(200):
            with lock.held():
                inside[0] += 1
                most[0] = max(most[0], inside[0])
                inside[0] -= 1

    with pytest.raises(RuntimeError), lock.held():
        raise RuntimeError
    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert most == [1] and not any(thread.is_alive() for thread in threads) and not lock._taken


def take_turn(path: str, says: Connection, ends: Connection) -> None:
    """Ask for the lock; say when it is asked for (by starting to), and when it is had; give it up when told."""
    says.send("asks")
    with FileLock(path).held():
        says.send("has")
        ends.recv()


class Writer:
    """A process that waits for its turn at the file."""

    def __init__(self, path: Path) -> None:
        self.hears, says = SPAWN.Pipe(duplex=False)
        ends, self.tells = SPAWN.Pipe(duplex=False)
        self.process: SpawnProcess = SPAWN.Process(target=take_turn, args=(str(path), says, ends))
        self.process.start()
        says.close()
        ends.close()
        assert self.hears.recv() == "asks"

    def has_it(self, seconds: float) -> bool:
        return self.hears.poll(seconds) and self.hears.recv() == "has"

    def end(self) -> None:
        self.tells.send(None)
        self.process.join(30)
        self.close()

    def kill(self) -> None:
        assert self.process.pid is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.join(30)
        self.close()

    def close(self) -> None:
        self.hears.close()
        self.tells.close()
        self.process.close()


def drawn(path: Path) -> int:
    return int.from_bytes(path.read_bytes()[:8], "big")


def queue(path: Path, count: int) -> list[Writer]:
    """Processes that asked one after the other: the next starts when the last has drawn its number."""
    writers = []
    for number in range(1, count + 1):
        writers.append(Writer(path))
        until = time.monotonic() + 30
        while drawn(path) < number:
            assert time.monotonic() < until
            time.sleep(0.001)
    return writers


def test_processes_come_in_the_order_asked_and_the_dead_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "turn"
    path.touch()
    first, second, third, fourth, fifth = writers = queue(path, 5)
    assert first.has_it(10)
    third.kill()  # while it waits: the fourth, who waited for it, must still wait for the second
    assert not any(writer.has_it(0.1) for writer in (second, fourth, fifth))
    first.end()
    assert second.has_it(10) and not fourth.has_it(0.1)
    second.kill()  # while it has the turn
    assert fourth.has_it(10) and not fifth.has_it(0.1)
    fourth.end()
    assert fifth.has_it(10)
    fifth.end()
    assert len(writers) == 5 and drawn(path) == 5


def test_the_file_can_be_had_for_oneself_alone_if_nobody_has_or_waits_for_a_turn(tmp_path: Path) -> None:
    path = tmp_path / "turn"
    ours, other = FileLock(str(path)), FileLock(str(path))
    with other.held():
        assert not ours.held_by_nobody()
    assert ours.held_by_nobody()
    waits = Writer(path)
    assert not waits.has_it(0.3)
    ours.close()
    assert waits.has_it(10)
    waits.end()
    other.close()
