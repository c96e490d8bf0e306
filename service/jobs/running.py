"""Run jobs in the foreground: `weakspot worker`."""

from __future__ import annotations

import signal
import time

import structlog

from service.errors import NotAvailable
from service.logs import configure_logs
from service.settings import Settings

log = structlog.get_logger("weakspot.jobs")


def work(settings: Settings) -> None:
    """Work until SIGTERM or SIGINT.

    Raises
    ------
    NotAvailable
        With PostgreSQL where procrastinate is not installed.
    """
    configure_logs(settings.log_format, settings.log_level)
    if not settings.database_url.startswith("sqlite"):
        try:
            from service.jobs.queue import Worker
        except ImportError:
            raise NotAvailable("workers on PostgreSQL need procrastinate: pip install 'weakspot[postgres]'") from None
        Worker(settings).run()
        return
    from service.jobs.runner import Runner

    stopped = False

    def stop(*_: object) -> None:
        nonlocal stopped
        stopped = True

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    runner = Runner(settings)
    runner.start()
    log.info("ready for jobs")
    while not stopped:
        time.sleep(0.2)
    runner.stop()
