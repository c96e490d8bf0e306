"""Token buckets: what a bucket gives out, together over processes, and what the caller is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.app import build_app
from service.db import Database
from service.rate_limits import LEASE_SECONDS, RateLimiter
from service.settings import Settings
from tests.service.callers import make_caller


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def limiter(database: Database, per_minute: int, clock: Clock) -> RateLimiter:
    return RateLimiter(database.engine.url.render_as_string(hide_password=False), per_minute, clock)


def given_out(source: RateLimiter, asked: int, caller: str = "a") -> int:
    return sum(source.wait_for(caller) == 0 for _ in range(asked))


def test_a_minute_full_at_once_then_as_it_refills(database: Database, clock: Clock) -> None:
    bucket = limiter(database, 60, clock)
    assert given_out(bucket, 100) == 60
    assert bucket.wait_for("a") == 1
    clock.now += 10  # one token a second
    assert given_out(bucket, 100) == 10
    clock.now += 1_000  # never more than a minute's
    assert given_out(bucket, 100) == 60
    bucket.dispose()


def test_seconds_to_wait_are_told_and_right(database: Database, clock: Clock) -> None:
    bucket = limiter(database, 2, clock)
    assert given_out(bucket, 5) == 2
    wait = bucket.wait_for("a")
    assert wait == 30
    clock.now += wait - 1
    assert bucket.wait_for("a") == 1
    clock.now += 1
    assert bucket.wait_for("a") == 0
    bucket.dispose()


def test_callers_do_not_share(database: Database, clock: Clock) -> None:
    bucket = limiter(database, 5, clock)
    assert (given_out(bucket, 9, "a"), given_out(bucket, 9, "b")) == (5, 5)
    bucket.dispose()


def test_a_clock_set_back_gives_nothing_away(database: Database, clock: Clock) -> None:
    bucket = limiter(database, 60, clock)
    given_out(bucket, 60)
    clock.now -= 86_400
    assert given_out(bucket, 10) == 0
    bucket.dispose()


def test_processes_count_together(database: Database, clock: Clock) -> None:
    several = [limiter(database, 200, clock) for _ in range(4)]
    counts = [0] * len(several)

    def drain(number: int) -> None:
        counts[number] = given_out(several[number], 200)

    threads = [threading.Thread(target=drain, args=(number,)) for number in range(len(several))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(counts) == 200
    for one in several:
        one.dispose()


def test_a_lease_nobody_used_lapses(database: Database, clock: Clock) -> None:
    first, second = limiter(database, 60, clock), limiter(database, 60, clock)
    assert first.wait_for("a") == 0
    clock.now += LEASE_SECONDS + 1
    assert given_out(first, 100) + given_out(second, 100) == 60
    first.dispose()
    second.dispose()


@pytest.fixture
def limits(database: Database) -> Iterator[Settings]:
    url = database.engine.url.render_as_string(hide_password=False)
    yield Settings(database_url=url, token_cache_seconds=0, requests_per_minute=5, refusals_per_minute=3)
    Path(f"{database.engine.url.database}.limits").unlink(missing_ok=True)


def test_answer_429_tells_when_to_come_back(database: Database, limits: Settings) -> None:
    app = build_app(limits, database)
    gasket, arches = make_caller(app, "The Cog & Gasket"), make_caller(app, "Sallow Lane Arches")
    answers = [gasket.get("/api/v1/machines") for _ in range(6)]
    assert [answer.status_code for answer in answers] == [200] * 5 + [429]
    assert answers[-1].mimetype == "application/problem+json"
    assert int(answers[-1].headers["Retry-After"]) == 12  # RFC 9110, section 10.2.3; RFC 6585, section 4
    assert arches.get("/api/v1/machines").status_code == 200
    assert gasket.http.get("/health").status_code == 200
    app.dispose()


def test_guessing_is_slowed_down_by_address(database: Database, limits: Settings) -> None:
    app = build_app(limits, database)
    gasket = make_caller(app, "The Cog & Gasket")
    wrong = [gasket.http.get("/api/v1/machines", headers={"Authorization": f"Bearer wsp_{n}"}) for n in range(4)]
    assert [answer.status_code for answer in wrong] == [401, 401, 401, 429]
    assert "Retry-After" in wrong[-1].headers
    other = gasket.http.get("/api/v1/machines", environ_base={"REMOTE_ADDR": "192.0.2.7"})
    assert other.status_code == 401
    assert gasket.get("/api/v1/machines").status_code == 200
    app.dispose()
