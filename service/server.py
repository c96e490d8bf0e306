"""Run the application under gunicorn: a few processes with a few threads each."""

from __future__ import annotations

from typing import Any

from gunicorn.app.base import BaseApplication

from service import create_app
from service.settings import Settings

THREADS = 4


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
        return create_app(self.settings)


def run(settings: Settings, *, host: str, port: int, workers: int) -> None:
    """Serve until told to stop."""
    options = {
        "bind": f"{host}:{port}",
        "workers": workers,
        "threads": THREADS,
        "worker_class": "gthread",
        "timeout": 120,
        "graceful_timeout": 30,
        "accesslog": None,
        "control_socket_disable": True,  # newer versions would leave a socket in the home folder
        "proc_name": "weakspot",
    }
    print(f"Weakspot listens on http://{host}:{port} (API description: /api/v1/docs); stop with Ctrl-C", flush=True)
    Server(settings, options).run()
