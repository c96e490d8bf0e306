"""Pages that look ahead, over a small fleet: outlook, machines to bring in, due work, spares, renewals."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from datetime import date
from html import unescape

import pytest
from icalendar import Calendar

from service.app import WeakspotApp
from tests.service.job_files import SHOP, csv_file, take_in
from tests.service.test_outlooks import AS_OF, STRANGER, card, fill
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import Visitor

PLACES = (
    "/ahead",
    "/ahead/pull-list?hours=6",
    "/ahead/due?days=60",
    "/ahead/spares?component=cvt_belt",
    "/ahead/renewal?component=cvt_belt&make=Hexley&model=Dray+300&planned=100&failure=400&clock=km",
)


@pytest.fixture
def manager(app: WeakspotApp, visit: Callable[..., Visitor], monkeypatch: pytest.MonkeyPatch) -> Visitor:
    """Somebody of a shop with four machines in use, one of them with a part found bad."""
    fill(app.database)
    bad = card(4, "2025-12-01", "61500", component="regulator_rectifier", action="checked_bad")
    take_in(app.database, csv_file([bad]), today=AS_OF)
    monkeypatch.setattr(app, "today", lambda: date(2026, 1, 5))
    return visit("reader", SHOP)


@ONE_ENGINE
def test_every_page_is_sound(browse: Callable[..., Browsing], manager: Visitor, device: str, scripts: bool) -> None:
    window = browse(device, scripts=scripts, visitor=manager)
    for path in PLACES:
        window.go(path)
        window.assert_sound()
    window.go(PLACES[0])
    assert "4 machines" in window.page.inner_text("main")
    window.page.get_by_label("Months ahead").fill("12")
    window.page.get_by_role("button", name="Look ahead").click()
    window.page.wait_for_url("**months=12**")
    assert "expect in 12 months" in window.page.inner_text("main")


def test_what_was_found_bad_comes_in_first(manager: Visitor) -> None:
    page = manager.get(PLACES[1]).get_data(as_text=True)
    assert "found bad and not yet put right" in page and page.index("M4") < page.index("left out")


def test_a_long_list_is_turned_page_by_page(manager: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its pages together hold what the file holds, dearest wait first; the form's answers go with them."""
    monkeypatch.setattr("service.web.ahead.MOST_ROWS", 2)
    address, rows = (
        PLACES[2],
        list(csv.DictReader(io.StringIO(manager.get("/ahead/due.csv?days=60").get_data(as_text=True)))),
    )
    found: list[str] = []
    while address:
        page = manager.get(address).get_data(as_text=True)
        found += re.findall(r'<th scope="row">(.*?)</th>', page.partition("Coming due")[0])
        after = re.search(r'href="([^"]*)">Those after', page)
        assert ("Those before" in page) is (len(found) > 2)
        address = unescape(after[1]) if after else ""
        assert not address or "days=60" in address
    wait: dict[str, float] = {}
    for row in rows:
        if row["overdue"] == "True":
            wait[row["machine"]] = wait.get(row["machine"], 0.0) + float(row["waiting_costs"])
    assert found == sorted(wait, key=lambda machine: -wait[machine]) and len(found) > 3
    for strange in ("page=99", "page=-1", "page=x", "page=2&endpoint=web.shop.index&_scheme=x"):
        assert manager.get(f"/ahead/due?days=60&{strange}").status_code == 200
    assert "Those after" in manager.get("/ahead").get_data(as_text=True)


def test_files_hold_what_the_page_shows(manager: Visitor) -> None:
    page = manager.get(PLACES[2]).get_data(as_text=True)
    rows = list(csv.DictReader(io.StringIO(manager.get("/ahead/due.csv?days=60").get_data(as_text=True))))
    assert rows and all(row["machine"] in page for row in rows)
    events = Calendar.from_ical(manager.get("/ahead/due.ics?days=60").get_data()).walk("VEVENT")
    late = {row["machine"] for row in rows if row["overdue"] == "True"}
    assert len(events) == len(late) + sum(row["overdue"] == "False" for row in rows)
    assert manager.get("/ahead/due.exe?days=60").status_code == 422


def test_interval_with_its_flat_range_or_the_reason_for_none(manager: Visitor) -> None:
    page = manager.get(PLACES[4]).get_data(as_text=True)
    assert "Renew at about" in page and "within 2\u00a0% of the best" in page
    none = PLACES[4].replace("cvt_belt", "engine_control_unit")
    assert "No interval" in manager.get(none).get_data(as_text=True)


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/ahead?months=99", "1"),
        ("/ahead/spares?component=flux_gate", "machine in use carries"),
        ("/ahead/renewal?component=cvt_belt&make=Hexley", "Write the model."),
        ("/ahead/pull-list?hours=many", "Write a number"),
    ],
)
def test_refusals_stand_on_the_page(manager: Visitor, path: str, said: str) -> None:
    reply = manager.get(path)
    assert reply.status_code in (404, 422) and said in reply.get_data(as_text=True)


def test_only_ones_own_machines(manager: Visitor, visit: Callable[..., Visitor]) -> None:
    page = visit("reader", STRANGER).get("/ahead").get_data(as_text=True)
    other = page[page.index("<main") : page.index("</main>")]  # tokens around it may hold anything
    assert "M9" in other and "M4" not in other


@ONE_ENGINE
def test_a_shop_without_machines_is_told_so(browse: Callable[..., Browsing], technician: Visitor) -> None:
    window = browse("phone", visitor=technician)
    for path in PLACES[:4]:
        window.go(path)
        assert "nothing ahead" in window.page.inner_text("main").lower()
        window.complaints.clear()
        window.assert_sound()
