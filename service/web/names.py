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

USE_NAMES = {
    "private": lazy("private riding"),
    "touring": lazy("touring"),
    "rental": lazy("rental"),
    "school": lazy("riding school"),
    "courier": lazy("courier work"),
    "mixed": lazy("all sorts"),
}

# Places on a machine, by the catalogue's words for them; those not listed (cylinders, banks) are shown as they are.
PLACES = {
    "battery_engine": lazy("from the battery to the engine"),
    "battery_frame": lazy("from the battery to the frame"),
    "battery_side": lazy("at the battery"),
    "stator_side": lazy("at the stator"),
    "cap": lazy("cap"),
    "clutch": lazy("clutch"),
    "front": lazy("front"),
    "front_left": lazy("front left"),
    "front_right": lazy("front right"),
    "head": lazy("cylinder head"),
    "headstock": lazy("headstock"),
    "hoses": lazy("hoses"),
    "in_line": lazy("in the line"),
    "in_tank": lazy("in the tank"),
    "indicator_front_left": lazy("front left indicator"),
    "indicator_front_right": lazy("front right indicator"),
    "indicator_rear_left": lazy("rear left indicator"),
    "indicator_rear_right": lazy("rear right indicator"),
    "left": lazy("left"),
    "right": lazy("right"),
    "linkage": lazy("linkage"),
    "lower": lazy("lower"),
    "upper": lazy("upper"),
    "main": lazy("main"),
    "neutral": lazy("neutral"),
    "radiator": lazy("radiator"),
    "rail": lazy("rail"),
    "rear": lazy("rear"),
    "rear_carrier": lazy("rear carrier"),
    "rear_left": lazy("rear left"),
    "rear_right": lazy("rear right"),
    "side_stand": lazy("side stand"),
    "switch_front": lazy("front switch"),
    "switch_rear": lazy("rear switch"),
    "tail": lazy("tail"),
    "tank_outlet": lazy("tank outlet"),
}

SYSTEMS = {
    "brakes": lazy("brakes"),
    "charging": lazy("charging"),
    "cooling": lazy("cooling"),
    "electrical": lazy("electrical"),
    "engine_top": lazy("top of the engine"),
    "final_drive": lazy("final drive"),
    "frame": lazy("frame"),
    "fuel": lazy("fuel"),
    "ignition": lazy("ignition"),
    "starting": lazy("starting"),
    "steering": lazy("steering"),
    "suspension": lazy("suspension"),
    "transmission": lazy("transmission"),
    "tyres": lazy("tyres"),
    "wheels": lazy("wheels"),
}

# What each kind of doubt means, as pages say it.
DOUBT_NAMES = {
    "unknown_word": lazy("a part the catalogue does not know by that word"),
    "ambiguous_word": lazy("a word that can mean more than one part"),
    "position_unclear": lazy("a position the part does not have"),
    "not_on_model": lazy("a part that machines of this model do not carry"),
    "odometer_falls": lazy("an odometer that falls"),
    "usage_implausible": lazy("more distance than the days between allow"),
    "filler_reading": lazy("a reading that looks made up"),
    "clocks_disagree": lazy("rows of one card that disagree on date or odometer"),
    "clock_gap_unknown": lazy("a clock change without the old clock's reading"),
    "future_date": lazy("a date in the future"),
    "before_built": lazy("work before the machine was built"),
    "gone_then_seen": lazy("work after the machine was gone"),
    "machine_differs": lazy("make, model or build that differ from what is known of the machine"),
    "duplicate_reference": lazy("a reference that differs from another only in look-alike characters"),
    "duplicate_card": lazy("the same work on the same day on two cards"),
    "comeback": lazy("the same part again within days"),
    "misdiagnosis": lazy("a part that was renewed though another was the cause"),
    "date_order": lazy("a date that another order of day and month reads otherwise"),
    "text_unclear": lazy("a card's free text that leaves something open"),
}


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
    return str(PLACES.get(position or "", (position or "").replace("_", " ")))


def system_name(system: str) -> str:
    """A system of the machine in words."""
    return str(SYSTEMS.get(system, system.replace("_", " ")))


def use_name(use: str) -> str:
    """What machines are used for, in words."""
    return str(USE_NAMES.get(use, use))


def verdict(outcome: str) -> str:
    """The verdict on a check, in words."""
    words = {"pass": _("good"), "marginal": _("in between"), "fail": _("bad"), "inconclusive": _("cannot tell")}
    return words.get(outcome, outcome)


def leave(permission: str | None) -> str:
    """What may be done to a machine, in words."""
    return str(dict(PERMISSIONS).get(permission or "", permission or ""))


def sentence(text: object) -> str:
    """A text with its first letter large, the others as they are."""
    said = str(text)
    return said[:1].upper() + said[1:]


def register_names(app: Flask) -> None:
    """Offer them to templates as filters."""
    app.add_template_filter(system_name)
    app.add_template_filter(place_name)
    app.add_template_filter(verdict)
    app.add_template_filter(sentence)
    app.add_template_filter(leave)
