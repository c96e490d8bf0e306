"""Counts for Prometheus, in a registry of our own; under several processes they are added up from files.

Import this only where metrics are wanted: the library decides when it is loaded whether processes share their counts
(`PROMETHEUS_MULTIPROC_DIR`, which the server sets).
"""

from __future__ import annotations

import os
from collections.abc import Mapping

from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

FOLDER_VARIABLE = "PROMETHEUS_MULTIPROC_DIR"
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
REGISTRY = CollectorRegistry()
REQUESTS = Counter("weakspot_http_requests", "Requests answered", ["method", "route", "status"], registry=REGISTRY)
SECONDS = Histogram(
    "weakspot_http_request_seconds",
    "Time to answer",
    ["method", "route"],
    buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
    registry=REGISTRY,
)


def record_request(method: str, route: str, status: int, seconds: float) -> None:
    """Count one answer."""
    method = method if method in METHODS else "other"
    REQUESTS.labels(method, route, str(status)).inc()
    SECONDS.labels(method, route).observe(seconds)


def exposition(jobs: Mapping[str, int]) -> tuple[bytes, str]:
    """Everything in Prometheus' text format, with how many jobs stand where, and its media type."""
    seen = REGISTRY
    if os.environ.get(FOLDER_VARIABLE):
        seen = CollectorRegistry()
        MultiProcessCollector(seen)
    # What the database knows is read at the moment of asking and belongs to no process.
    return generate_latest(seen) + _plain(jobs), CONTENT_TYPE_LATEST


def _plain(jobs: Mapping[str, int]) -> bytes:
    lines = ["# HELP weakspot_jobs Jobs by state", "# TYPE weakspot_jobs gauge"]
    lines += [f'weakspot_jobs{{state="{state}"}} {count}' for state, count in sorted(jobs.items())]
    return ("\n".join(lines) + "\n").encode()


def forget_process(pid: int) -> None:
    """Drop the gauges of a process that ended; its counts stay."""
    mark_process_dead(pid)
