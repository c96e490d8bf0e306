"""Answers kept in memory for as long as what they rest on stays the same; the least lately used go first."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from sqlalchemy.orm import Session

Answer = TypeVar("Answer")


class Kept(Generic[Answer]):
    """At most so many answers, by key. A key must name everything that an answer rests on."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Hashable, Answer] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], Answer]) -> Answer:
        """The answer kept under a key, or a new one; two threads may make the same one at once, which harms nobody."""
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return self._answers[key]
        answer = make()
        with self._lock:
            self._answers[key] = answer
            self._answers.move_to_end(key)
            while len(self._answers) > self._most:
                self._answers.popitem(last=False)
        return answer


def database_key(session: Session) -> tuple[str, int]:
    """Which database a session reads; in-memory ones share an address, so their pools tell them apart."""
    engine = session.get_bind().engine
    return str(engine.url), id(engine.pool)
