"""Static files under an address that changes with their content, so that browsers may keep them for good."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from flask import Flask, Response, redirect, request, url_for

FOLDER = Path(__file__).with_name("static")


@cache
def _mark_of(name: str) -> str:
    return hashlib.sha256((FOLDER / name).read_bytes()).hexdigest()[:12]


def asset(name: str) -> str:
    """The address of a static file as it is now."""
    return url_for("static", filename=name, v=_mark_of(name))


def register_assets(app: Flask) -> None:
    """Offer `asset` to templates; let browsers keep what carries its mark."""
    app.add_template_global(asset)

    @app.get("/favicon.ico")
    def favicon() -> Any:
        """Where browsers look for a mark on pages that name none, such as plans on paper."""
        return redirect(asset("mark.svg"), 302)

    @app.after_request
    def _keep(response: Response) -> Response:
        if request.endpoint == "static" and "v" in request.args and response.status_code == 200:
            response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response
