"""What the server does with memory once it is loaded."""

from __future__ import annotations

import gc
from pathlib import Path

from service.server import Server, server_options
from service.settings import Settings


def test_the_collector_leaves_what_is_loaded_alone(tmp_path: Path) -> None:
    settings = Settings(database_url=f"sqlite:///{tmp_path / 'shop.sqlite'}")
    before = gc.get_freeze_count()
    app = Server(settings, server_options(settings, host="127.0.0.1", port=8080, workers=1)).load()
    try:
        assert gc.get_freeze_count() - before > 50_000  # the application and its libraries
        assert not any(one is app for one in gc.get_objects())
    finally:
        gc.unfreeze()
        app.dispose()
