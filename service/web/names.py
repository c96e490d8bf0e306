"""Names of parts and places as pages write them."""

from __future__ import annotations

from flask import Flask, g

from service.catalogue import current_catalogue
from service.catalogue_types import Catalogue
from service.web.current import app
from service.web.texts import _, lazy

PERMISSIONS = (
    ("look_only", lazy("look, nothing comes off")),
    ("seat_off", lazy("seat off")),
    ("may_strip", lazy("may strip")),
    ("may_ride", lazy("may ride")),
)


def catalogue_now() -> Catalogue:
    """The catalogue in force, read once a request."""
    if "catalogue" not in g:
        with app().database.read() as session:
            g.catalogue = current_catalogue(session)
    found = g.catalogue
    assert isinstance(found, Catalogue)
    return found


def part_name(slug: str) -> str:
    """A component's name; its slug where the catalogue has none such."""
    known = catalogue_now().component_by_slug.get(slug)
    return known.name if known else slug.replace("_", " ")


def place_name(position: str | None) -> str:
    """A position in words."""
    return (position or "").replace("_", " ")


def verdict(outcome: str) -> str:
    """The verdict on a check, in words."""
    words = {"pass": _("good"), "marginal": _("in between"), "fail": _("bad"), "inconclusive": _("cannot tell")}
    return words.get(outcome, outcome)


def leave(permission: str | None) -> str:
    """What may be done to a machine, in words."""
    return str(dict(PERMISSIONS).get(permission or "", permission or ""))


def register_names(app: Flask) -> None:
    """Offer them to templates as filters."""
    app.add_template_filter(part_name)
    app.add_template_filter(place_name)
    app.add_template_filter(verdict)
    app.add_template_filter(leave)
