"""What views need of the running application."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from flask import current_app

from service.auth import current_shop_id as shop_id

if TYPE_CHECKING:
    from service.app import WeakspotApp

__all__ = ["app", "shop_id"]


def app() -> WeakspotApp:
    """The application this request runs in."""
    return cast("WeakspotApp", current_app)
