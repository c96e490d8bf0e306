"""Weakspot's service: records, imports, rankings and plans over HTTP and on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from service.settings import Settings


def create_app(settings: Settings | None = None) -> Flask:
    """Build the web application; nothing connects or is read from the environment before this is called."""
    from service.app import build_app  # Flask is not loaded for those who only want the records

    return build_app(settings)
