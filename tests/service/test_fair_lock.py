"""Writers of one process take turns: who has waited longest is next, and one that gives up is passed over."""

from __future__ import annotations

import threading
import time

import pytest

from service.db import FairLock


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
