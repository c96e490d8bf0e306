"""The server itself, two processes, spoken to over sockets: lines posted, histories read, against its bare driver.

What is compared takes turns in short blocks in one run. Rates depend on what else the machine does; the server's
processor time for a request, given beside them, hardly does. `WEAKSPOT_BENCH_BLOCK` requests make a block (200).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from service.auth import create_token
from service.db import Database
from service.records import get_or_create_shop
from service.server import Server, server_options
from service.settings import Settings
from service.setup import prepare
from tests.bench._bare import PATH, add_routes, make_table
from tests.bench.api import LINES, MACHINES, NOW, cells
from tests.service.databases import PostgresDatabases, postgres_server
from tests.service.live import Live, environment, free_port

BLOCK = int(os.environ.get("WEAKSPOT_BENCH_BLOCK", "200"))
ROUNDS = 7
WRITERS = 8
PROCESSES = 2
TICKS = os.sysconf("SC_CLK_TCK")


class BenchServer(Server):
    """The server with the bare routes beside its own."""

    def load(self) -> Any:
        app = super().load()
        add_routes(app, self.settings.sqlite_synchronous)
        return app


def serve(port: int) -> None:
    """What the other process runs."""
    settings = Settings.from_environment()
    BenchServer(settings, server_options(settings, host="127.0.0.1", port=port, workers=PROCESSES)).run()


def started(url: str, synchronous: str, log: Path) -> tuple[Live, float]:
    """A server, and the seconds until its first answer."""
    port, begin = free_port(), time.perf_counter()
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.served", str(port)],
            env=environment(url, sqlite_synchronous=synchronous, fit_after_seconds="0"),
            stdout=out, stderr=out, start_new_session=True,
        )  # fmt: skip
    live = Live(process, port, log)
    while process.poll() is None and time.perf_counter() - begin < 60:
        try:
            connection = HTTPConnection("127.0.0.1", port, timeout=5)
            connection.request("GET", "/health")
            connection.getresponse().read()
            return live, time.perf_counter() - begin
        except OSError:
            time.sleep(0.02)
    live.kill()
    raise RuntimeError(live.said())


def processor_seconds(live: Live) -> float:
    """Of all the server's processes since they began."""
    total = 0
    for pid in live.pids():
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        total += int(fields[11]) + int(fields[12])
    return total / TICKS


class Caller:
    """One connection that is kept open."""

    def __init__(self, port: int, token: str) -> None:
        self._connection = HTTPConnection("127.0.0.1", port, timeout=60)
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    def renew(self) -> None:
        """Begin anew: the server closes a connection that was idle while others had their turn."""
        self._connection.close()

    def ask(self, method: str, path: str, wanted: int, body: Any = None, **more: str) -> Any:
        data = None if body is None else json.dumps(body)
        self._connection.request(method, path, data, {**self._headers, **more})
        reply = self._connection.getresponse()
        text = reply.read()
        assert reply.status == wanted, (reply.status, text)
        return reply, text


class Found:
    """What was measured of one kind of request."""

    def __init__(self) -> None:
        self.rates: list[float] = []
        self.processor: list[float] = []
        self.times: list[float] = []


def measure(url: str, synchronous: str, folder: str) -> None:
    database = Database(url, synchronous=synchronous)
    prepare(database, NOW)
    with database.write() as session:
        shop_id = get_or_create_shop(session, "The Cog & Gasket", now=NOW).id
        token = create_token(session, shop_id, label="bench", now=NOW)
    database.dispose()
    make_table(url)
    live, seconds = started(url, synchronous, Path(folder) / f"{synchronous}.log")
    try:
        engine = "PostgreSQL" if url.startswith("postgresql") else f"SQLite {synchronous}"
        processor = processor_seconds(live)
        print(f"{engine}: first answer after {seconds:.2f} s, {processor:.2f} s of processor in all processes")
        compare(live, token)
    finally:
        live.kill()


def compare(live: Live, token: str) -> None:
    callers = [Caller(live.port, token) for _ in range(WRITERS)]
    numbers = count()

    def post(caller: Caller, machine: str) -> None:
        number = next(numbers)
        caller.ask("POST", LINES, 201, cells(number, machine), **{"Idempotency-Key": f"k{number}"})

    for number in range(50):
        post(callers[0], "M1")
        for machine in MACHINES[number::50]:
            post(callers[0], machine)
    first = json.loads(callers[0].ask("GET", LINES, 200)[1])["lines"][0]
    history = f"{LINES}?machine={first['machine']}&limit=50"
    tag = callers[0].ask("GET", history, 200)[0].headers["ETag"]
    work: dict[str, Callable[[Caller, int], Any]] = {
        "post": lambda caller, n: post(caller, MACHINES[n % len(MACHINES)]),
        "bare insert": lambda caller, n: caller.ask("POST", PATH, 201),
        "history": lambda caller, n: caller.ask("GET", history, 200),
        "bare select": lambda caller, n: caller.ask("GET", PATH, 200),
        "unchanged": lambda caller, n: caller.ask("GET", history, 304, **{"If-None-Match": tag}),
    }
    found = {name: Found() for name in work}
    with ThreadPoolExecutor(WRITERS) as pool:
        for turn in range(ROUNDS + 1):
            for name, call in work.items():
                block(live, pool, callers, call, found[name] if turn else Found())  # the first warms up
    say(found)


def block(
    live: Live, pool: ThreadPoolExecutor, callers: list[Caller], call: Callable[[Caller, int], Any], found: Found
) -> None:
    """Every caller asks again as soon as it is answered."""

    def asks(caller: Caller) -> list[float]:
        caller.renew()
        times = []
        for number in range(BLOCK // WRITERS):
            begin = time.perf_counter()
            call(caller, number)
            times.append(1e3 * (time.perf_counter() - begin))
        return times

    before, begin = processor_seconds(live), time.perf_counter()
    times = [ms for some in pool.map(asks, callers) for ms in some]
    found.rates.append(len(times) / (time.perf_counter() - begin))
    found.processor.append(1e3 * (processor_seconds(live) - before) / len(times))
    found.times += times


def say(found: dict[str, Found]) -> None:
    for name, one in found.items():
        print(
            f"  {name:12s} {np.median(one.rates):7.0f} a second, {np.median(one.processor):5.2f} ms of processor,"
            f" median {np.median(one.times):6.1f} ms, 99 % {np.percentile(one.times, 99):6.1f} ms"
        )
    for name, bare, what in (("post", "bare insert", "line posted"), ("history", "bare select", "history")):
        rate = np.median(np.divide(found[name].rates, found[bare].rates))
        share = np.median(np.divide(found[bare].processor, found[name].processor))
        print(f"  {what}: {rate:4.0%} of the bare rate; bare takes {share:4.0%} of its processor time")
    times = np.median(np.divide(found["unchanged"].rates, found["history"].rates))
    print(f"  304: {times:.1f} times the rate of the history")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for synchronous in ("NORMAL", "FULL"):
            measure(f"sqlite:///{folder}/{synchronous}.sqlite", synchronous, folder)
        with postgres_server() as server:
            databases = PostgresDatabases(server)
            url = databases.empty()
            measure(url, "FULL", folder)
            databases.drop(url)


if __name__ == "__main__":
    serve(int(sys.argv[1])) if len(sys.argv) > 1 else main()
