"""A shop that reads miles, or pays in pounds or francs, sees them in the figures of its pages."""

from __future__ import annotations

import pytest

from service.app import WeakspotApp
from tests.web.filled import World
from tests.web.pages import Page


def settle(world: World, **settings: str) -> None:
    """Change the shop's settings by their form."""
    form = {"unit": "km", "hourly_rate": "60", "currency": "EUR", "locale": "", **settings}
    assert world.owner.post("/shop/settings", form, shown_at="/shop").status_code == 303


def text(world: World, path: str) -> str:
    # Switzerland writes either apostrophe; Babel changed from one to the other in 2.19.
    return Page(world.owner.get(path).get_data(as_text=True)).text().replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")


@pytest.mark.parametrize(
    ("unit", "currency", "locale", "distance", "money"),
    [
        ("mi", "GBP", "en_GB", "37,904 mi", "£"),
        ("km", "CHF", "de_CH", "61'000 km", "CHF"),
        ("km", "EUR", "de_DE", "61.000 km", "€"),
        ("mi", "GBP", "de_DE", "37.904 mi", "£"),
    ],
)
def test_settings_of_the_shop_are_seen(
    app: WeakspotApp, unit: str, currency: str, locale: str, distance: str, money: str
) -> None:
    """61,000 km are 37,904 miles of 1.609344 km (the international yard of 1959, SI brochure)."""
    world = World(app)
    settle(world, unit=unit, currency=currency, locale=locale)
    look = text(world, f"/look-first?{world.look}")
    visit = f"/inspections/{world.values['inspection_id'][0]}"
    assert distance in look and money in look
    assert distance in text(world, visit)
    bill = text(world, f"{visit}/bill")
    assert money in bill and ("€" in bill) == (currency == "EUR")
    machine = text(world, f"/machines/{world.values['machine_id'][0]}")
    assert f" {unit}" in machine
    renewal = text(world, "/ahead/renewal")
    assert currency in renewal and unit in renewal.split()


def test_readers_of_one_server_see_their_own_units(app: WeakspotApp) -> None:
    """Also where a page says a fixed distance, which Jinja could keep from the first reader for the next."""
    world = World(app)
    assert "12 months or 5,000 km" in text(world, "/how-right")
    settle(world, unit="mi")
    assert "12 months or 3,107 mi" in text(world, "/how-right")
    settle(world, locale="de_DE")
    assert "12 Monate oder 5.000 km" in text(world, "/how-right")
