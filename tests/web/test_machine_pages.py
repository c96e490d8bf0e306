"""Machines: found, shown with everything known and unknown of them, looked back at; another shop's do not exist."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import Inspection, Machine
from tests.service.job_files import csv_file, row, seen, take_in
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import Visitor

MOST_BYTES = 150_000
# Invented cards: a clock changed at 24,000 km, a reading that runs backwards, a renewal nobody gave a reason for.
CARDS = [
    seen("1", "2017-05-02", "9000", built="2012-11"),
    row(card="2", date="2019-03-12", odometer="23000", notes="<b>stalled</b> at the lights"),
    row(card="3", date="2019-08-01", odometer="24000", component="", action="seen", reason=""),
    row(card="3", date="2019-08-01", odometer="0", component="", action="clock_changed", reason=""),
    row(card="4", date="2020-06-01", odometer="4000", component="stator", reason="unknown"),
    row(card="5", date="2021-06-01", odometer="1000", component="battery", action="checked_good", reason=""),
    row(card="6", date="2022-06-01", odometer="12000", component="brake_pads", action="checked_good", reason=""),
]


@pytest.fixture
def cards(app: WeakspotApp, technician: Visitor) -> str:
    """The address of a machine with those cards."""
    take_in(app.database, csv_file(CARDS), keep_good=True)
    return address_of(app)


def address_of(app: WeakspotApp) -> str:
    with app.database.read() as session:
        return f"/machines/{session.scalars(select(Machine.public_id)).first()}"


def text_of(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.get_data(as_text=True)))


def test_timeline_says_what_counts_and_what_is_in_doubt(technician: Visitor, cards: str) -> None:
    page = technician.get(cards).get_data(as_text=True)
    assert "&lt;b&gt;stalled" in page and "<b>stalled" not in page
    told = text_of(technician.get(cards))
    assert "in doubt checked, good: Battery" in told
    assert re.search(r"counted renewed: Regulator-rectifier · why: failed", told)
    assert told.index("1 Jun 2022") < told.index("12 Mar 2019") < told.index("2 May 2017")


def test_clock_change_is_on_the_total_distance(technician: Visitor, cards: str) -> None:
    told = text_of(technician.get(cards))
    clocks = told[told.index("Clocks it bore") :]
    # 24,000 km on the old clock and 12,000 km on the new one.
    assert "24,000 km" in clocks and "36,000 km" in told


def test_age_is_given_or_said_not_to_be_known(technician: Visitor, cards: str) -> None:
    told = text_of(technician.get(cards))
    parts = told[told.index("Parts now fitted") :]
    # By hand: built mid-November 2012, 36,000 km on 1 June 2022, so 10.33 km a day and 15,090 more by 1 June 2026;
    # renewed at 23,000 km on 12 March 2019.
    assert re.search(r"Regulator-rectifier 28,\d{3} km, 7\.2 years", parts)
    assert re.search(r"Cam chain, guides and tensioner age not known: [\d,]+ km to 51,\d{3} km", parts)
    assert "Why the part of 1 line was renewed" in told


def test_page_of_a_past_day_leaves_out_what_was_recorded_later(technician: Visitor, cards: str) -> None:
    # The cards came on record on 5 January 2026.
    assert technician.get(f"{cards}?known_on=2026-01-04").status_code == 404
    answer = technician.get(f"{cards}?known_on=2026-03-01")
    assert answer.status_code == 200 and "As it was known at the end of 1 Mar 2026" in text_of(answer)
    for wrong, said in (("2027-01-01", "known later"), ("last week", "2026-03-01")):
        answer = technician.get(f"{cards}?known_on={wrong}")
        assert answer.status_code == 422 and said in text_of(answer)


@pytest.mark.parametrize("named", ["GTDLN65A2CA", "tindrake lan", "LANNER", "000127"])
def test_machine_is_found_by_reference_make_and_model(technician: Visitor, cards: str, named: str) -> None:
    assert cards in technician.get("/machines", query_string={"named": named}).get_data(as_text=True)


@pytest.mark.parametrize("named", ["%", "_", "Falena", "x" * 300])
def test_text_that_names_no_machine_finds_none(technician: Visitor, cards: str, named: str) -> None:
    answer = technician.get("/machines", query_string={"named": named})
    assert answer.status_code == 200 and cards not in answer.get_data(as_text=True)


def test_list_is_paged_both_ways(technician: Visitor, app: WeakspotApp) -> None:
    take_in(app.database, csv_file(seen(str(k), "2020-01-01", "5000", machine=f"M{k:03}") for k in range(1, 121)))
    address, seen_so_far = "/machines?named=M", []
    while address:
        page = technician.get(address).get_data(as_text=True)
        seen_so_far.append(re.findall(r">(M\d{3})</a>", page))
        found = re.search(r'href="(/machines\?[^"]*after=[^"]*)"', page)
        address = found[1].replace("&amp;", "&") if found else ""
    assert [len(part) for part in seen_so_far] == [50, 50, 20]
    assert [name for part in seen_so_far for name in part] == [f"M{k:03}" for k in range(1, 121)]
    back = re.search(r'href="(/machines\?[^"]*before=[^"]*)"', page)
    assert back and re.findall(r">(M\d{3})</a>", technician.get(back[1].replace("&amp;", "&")).text) == seen_so_far[1]


def test_another_shops_machine_does_not_exist(visit: Callable[..., Visitor], cards: str) -> None:
    stranger = visit("owner", "Sallow Lane Arches")
    assert stranger.get(cards).status_code == 404
    assert cards not in stranger.get("/machines").get_data(as_text=True)
    assert stranger.post(f"{cards}/inspections", {"minutes": "30"}).status_code in (404, 422)
    machine = cards.rpartition("/")[2]
    assert stranger.get(f"/machines?after={machine}").status_code == 422


def test_inspection_of_the_machine_is_started(technician: Visitor, app: WeakspotApp, cards: str) -> None:
    form = {"minutes": "25", "kit": "shop", "permission": "may_strip"}
    answer = technician.post(f"{cards}/inspections", form, shown_at=cards)
    assert answer.status_code == 303
    with app.database.read() as session:
        visit = session.scalars(select(Inspection)).one()
        assert visit.machine_id == session.scalars(select(Machine.id)).one()
    assert answer.location.endswith(f"/inspections/{visit.public_id}")
    assert f"/inspections/{visit.public_id}" in technician.get(cards).get_data(as_text=True)
    assert technician.post(f"{cards}/inspections", form | {"minutes": "-3"}).status_code == 422


def test_it_is_found_looked_back_at_and_inspected_in_a_browser(
    browse: Callable[..., Browsing], technician: Visitor, cards: str, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/machines")
    page.get_by_label("Reference, make or model").fill("lanner")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("link", name="GTDLN65A2CA000127").click()
    page.wait_for_url(f"**{cards}")
    page.get_by_label("As known on").fill("2026-03-01")
    page.get_by_role("button", name="Show").click()
    page.get_by_text("As it was known at the end of 1 Mar 2026").wait_for()
    window.assert_sound()
    page.get_by_role("link", name="As known now").click()
    page.get_by_text("Start an inspection of it").click()
    page.get_by_label("Minutes you have").fill("25")
    page.get_by_role("button", name="Start the inspection").click()
    page.wait_for_url(re.compile(r"/inspections/[0-9a-f-]{36}$"))
    window.assert_sound()
    assert "25 of 25 minutes left" in page.inner_text("main")


def test_reader_is_offered_nothing_to_do(reader: Visitor, cards: str) -> None:
    page = reader.get(cards).get_data(as_text=True)
    assert "/inspections" not in re.sub(r'href="/inspections"', "", page)


@ONE_ENGINE
@pytest.mark.parametrize("on_record", [0, 1, len(CARDS)], ids=["nothing", "one record", "filled"])
def test_pages_are_sound(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool, on_record: int
) -> None:
    if on_record:
        take_in(app.database, csv_file(CARDS[:on_record]), keep_good=True)
    for dark in (False, True):
        window = browse(device, scripts=scripts, visitor=technician, dark=dark)
        window.go("/machines")
        window.assert_sound()
        assert window.weight() <= MOST_BYTES
        if on_record:
            window.page.get_by_role("link", name="GTDLN65A2CA000127").click()
            window.page.wait_for_url("**/machines/*")
            window.assert_sound()
            assert window.page.get_by_role("heading", name="What is on record").is_visible()
        else:
            assert "No machine on record yet" in window.page.inner_text("main")
