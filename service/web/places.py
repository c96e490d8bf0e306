"""The places of the navigation, in the order somebody needs them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import current_app, request, url_for

from service.web.current import current
from service.web.gate import needed_role
from service.web.texts import lazy


@dataclass(frozen=True)
class Place:
    """One entry: the endpoint it leads to and its name."""

    endpoint: str
    label: Any


PLACES = (
    Place("web.look_first.index", lazy("Look first")),
    Place("web.inspections.index", lazy("Inspections")),
    Place("web.log_work.index", lazy("Log work")),
    Place("web.review.index", lazy("Review")),
    Place("web.machines.index", lazy("Machines")),
    Place("web.lifetimes.index", lazy("Lifetimes")),
    Place("web.how_right.index", lazy("How right were we")),
    Place("web.ahead.index", lazy("Ahead")),
    Place("web.shop.index", lazy("Shop")),
)


def places() -> list[dict[str, Any]]:
    """What the navigation shows to whoever asks."""
    here = ".".join((request.endpoint or "").split(".")[:2]) + "."
    return [
        {"href": url_for(place.endpoint), "label": place.label, "here": place.endpoint.startswith(here)}
        for place in PLACES
        if has_place(place.endpoint)
    ]


def has_place(endpoint: str) -> bool:
    """Whether there is such a page for whoever asks."""
    return endpoint in current_app.view_functions and current.is_at_least(_role_of(endpoint))


def first_place() -> str:
    """Where somebody lands who has just signed in."""
    return next((place["href"] for place in places()), url_for("web.account.index"))


def _role_of(endpoint: str) -> str:
    return needed_role(endpoint, "GET") or "reader"
