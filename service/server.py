"""Run the application under gunicorn: a few processes with a few threads each."""

from __future__ import annotations

import gc
import logging
import os
import shutil
import tempfile
from typing import Any

from gunicorn.app.base import BaseApplication
from gunicorn.glogging import Logger

from service import create_app
from service.logs import configure_logs
from service.settings import Settings

THREADS = 4
GRACE_SECONDS = 30
METRICS_FOLDER = "PROMETHEUS_MULTIPROC_DIR"


class PlainLogger(Logger):
    """gunicorn's own messages go the way of all others; requests are logged by the application."""

    def setup(self, cfg: Any) -> None:
        self.error_log.handlers[:] = []
        self.error_log.propagate = True
        self.error_log.setLevel(logging.NOTSET)


class Server(BaseApplication):
    """gunicorn with our settings instead of its command line."""

    def __init__(self, settings: Settings, options: dict[str, Any]) -> None:
        self.settings = settings
        self.options = options
        super().__init__()

    def load_config(self) -> None:
        for name, value in self.options.items():
            if name in self.cfg.settings:
                self.cfg.set(name, value)

    def load(self) -> Any:
        app = create_app(self.settings)
        set_aside()
        return app


def set_aside() -> None:
    """Tell the garbage collector to leave what is loaded by now alone: it stays as long as the process does.

    Looking through all of it took a sixth of a second, in the middle of some request or other.
    """
    gc.collect()
    gc.freeze()


def run(settings: Settings, *, host: str, port: int, workers: int) -> None:
    """Serve until told to stop; requests under way may end (SIGTERM)."""
    configure_logs(settings.log_format, settings.log_level)
    options = server_options(settings, host=host, port=port, workers=workers)
    folder = None
    if settings.metrics_token:
        # Each process writes its counts to files of its own there; whoever is asked adds them up.
        folder = os.environ[METRICS_FOLDER] = tempfile.mkdtemp(prefix="weakspot-metrics-")
        options["child_exit"] = _forget_process
    print(f"Weakspot listens on http://{host}:{port} (API description: /api/v1/docs); stop with Ctrl-C", flush=True)
    try:
        Server(settings, options).run()
    finally:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)


def server_options(settings: Settings, *, host: str, port: int, workers: int) -> dict[str, Any]:
    """What gunicorn is told, as its settings are called."""
    options: dict[str, Any] = {
        "bind": f"{host}:{port}",
        "workers": workers,
        "threads": THREADS,
        "worker_class": "gthread",
        "preload_app": True,  # loaded once and shared, not once in each process; nothing connects before it is asked to
        "timeout": 120,
        "graceful_timeout": GRACE_SECONDS,
        "accesslog": None,
        "logger_class": PlainLogger,
        "control_socket_disable": True,  # newer versions would leave a socket in the home folder
        "proc_name": "weakspot",
    }
    if settings.database_url.startswith("sqlite"):
        options["post_worker_init"], options["worker_exit"] = _start_runner, _stop_runner
    return options


def _start_runner(worker: Any) -> None:
    """With SQLite a thread of one of the server's processes runs the jobs; with PostgreSQL `weakspot worker` does."""
    from service.jobs.runner import Runner

    worker.jobs = Runner(worker.app.settings)
    worker.jobs.start()


def _stop_runner(_server: Any, worker: Any) -> None:
    if hasattr(worker, "jobs"):
        worker.jobs.stop()


def _forget_process(_server: Any, worker: Any) -> None:
    from service.metrics import forget_process

    forget_process(worker.pid)
