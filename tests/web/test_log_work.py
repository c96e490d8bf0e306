"""A job card in a real browser: words mapped as they are typed, doubts shown before it is saved, lines stored."""

from __future__ import annotations

import re
from collections.abc import Callable

from sqlalchemy import select

from service.app import WeakspotApp
from service.models import ComponentType, Doubt, JobLine, ShopWord
from tests.service.job_files import csv_file, row, seen, take_in
from tests.web.browsers import Browsing
from tests.web.people import Visitor

MOST_BYTES = 150_000
MACHINE = "GTDLN65A2CA000127"
CARD = {"machine": MACHINE, "make": "Tindrake", "model": "Lanner 650", "card": "77", "date": "2026-01-04",
        "odometer": "31000", "unit": "km", "lines-0-words": "regulator_rectifier", "lines-0-action": "renewed",
        "lines-0-reason": "failed"}  # fmt: skip


def write(window: Browsing, **cells: str) -> None:
    """Fill fields in by their names."""
    for name, value in cells.items():
        box = window.page.locator(f"[name='{name.replace('_', '-') if name.startswith('lines') else name}']")
        if box.evaluate("it => it.tagName") == "SELECT":
            box.select_option(value)
        else:
            box.fill(value)


def test_a_card_from_an_empty_form_to_its_lines(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/log-work")
    window.assert_sound()
    assert window.weight() <= MOST_BYTES
    page.get_by_text("A machine new to this shop").click()
    write(window, machine=MACHINE, make="Tindrake", model="Lanner 650", card="1001", date="2026-01-04")
    write(window, odometer="23,000", lines_0_words="reg/rec", lines_0_reason="failed")
    page.get_by_role("button", name="One line more").click()
    page.wait_for_selector("[name='lines-1-words']")
    write(window, lines_1_words="battery", lines_1_action="checked_good")
    if not scripts:
        page.get_by_role("button", name="Show what the words mean").click()
    page.wait_for_selector("#sense-0 .sense")
    window.assert_sound()
    assert "Regulator-rectifier" in page.inner_text("#sense-0")
    assert page.input_value("[name='odometer']").replace(",", "") == "23000"
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_url(re.compile("/log-work/cards/"))
    window.assert_sound()
    said = page.inner_text("main")
    assert "Card 1001 is saved" in said and "written: reg/rec" in said and "it failed" in said
    assert "Nothing on this card stands in doubt" in said
    stored = lines(app)
    assert [(line.action, line.reason, line.odometer_km) for line in stored] == [
        ("renewed", "failed", 23000.0), ("checked_good", "unknown", 23000.0)]  # fmt: skip


def test_a_reading_below_the_history_is_shown_before_it_is_saved_and_then_kept_as_a_doubt(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    take_in(app.database, csv_file([seen("1", "2019-03-12", "23000"), seen("2", "2020-03-12", "31000")]))
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/log-work")
    write(window, machine=MACHINE, card="3", date="2021-03-12", odometer="13000", lines_0_words="battery")
    if scripts:
        page.wait_for_selector("#machine-said .remark")
        assert "Lower than 31,000 km on 12 Mar 2020" in page.inner_text("#machine-said")
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_selector("main .refused")
    said = page.inner_text("main")
    assert "Nothing is saved yet" in said and "an odometer that falls: 13000 km" in said
    assert "Lower than 31,000 km on 12 Mar 2020" in said
    assert len(lines(app)) == 2
    window.complaints.clear()  # the browser reports the status of the page that asks
    page.get_by_role("button", name="Save it with its doubts").click()
    page.wait_for_url(re.compile("/log-work/cards/"))
    window.assert_sound()
    assert "in doubt" in page.inner_text("main")
    kept = lines(app)[-1]
    assert kept.odometer_km == 13000.0 and kept.in_doubt
    page.get_by_role("link", name="Answer it").first.click()
    page.wait_for_url(re.compile("/review"))
    window.assert_sound()


def test_an_ambiguous_word_is_asked_about_and_the_shop_is_learnt_from(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/log-work")
    page.get_by_text("A machine new to this shop").click()
    write(window, machine=MACHINE, make="Tindrake", model="Lanner 650", card="9", lines_0_words="RR")
    if not scripts:
        page.get_by_role("button", name="Show what the words mean").click()
    page.wait_for_selector("#sense-0 .meanings")
    window.assert_sound()
    page.locator("#sense-0 label", has_text="Regulator-rectifier").click()
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_url(re.compile("/log-work/cards/"))
    assert "Nothing on this card stands in doubt" in page.inner_text("main")
    with app.database.read() as session:
        slug = select(ComponentType.slug).join(ShopWord, ShopWord.component_type_id == ComponentType.id)
        assert session.scalars(slug).all() == ["regulator_rectifier"]
        assert session.scalars(select(Doubt.settled_by)).all() == [technician.login]


def test_a_card_written_without_a_connection_is_sent_once_and_kept_with_its_doubt(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str
) -> None:
    take_in(app.database, csv_file([seen("1", "2019-03-12", "23000"), seen("2", "2020-03-12", "31000")]))
    window = browse(device, visitor=technician)
    page = window.page
    window.go("/log-work")
    write(window, machine=MACHINE, card="3", date="2021-03-12", odometer="13000", lines_0_words="battery")
    window.context.set_offline(True)
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_selector("#waiting:not([hidden])")
    assert len(lines(app)) == 2
    window.context.set_offline(False)
    page.wait_for_selector("#waiting[hidden]", state="attached")
    assert [line.in_doubt for line in lines(app)] == [False, False, True]


def test_a_refused_card_that_was_kept_opens_again_with_what_was_written(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp
) -> None:
    window = browse("phone", visitor=technician)
    page = window.page
    window.go("/log-work")
    write(window, machine="NEW-1", card="3", lines_0_words="battery")
    window.context.set_offline(True)
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_selector("#waiting:not([hidden])")
    window.context.set_offline(False)
    page.get_by_text("Open it again").click()
    page.wait_for_selector("main .field.wrong")
    assert page.input_value("[name='machine']") == "NEW-1" and page.input_value("[name='lines-0-words']") == "battery"
    write(window, make="Tindrake", model="Lanner 650")
    page.get_by_role("button", name="Save the card").click()
    page.wait_for_url(re.compile("/log-work/cards/"))
    assert len(lines(app)) == 1


def test_refusals_stand_at_their_fields_and_nothing_is_lost(technician: Visitor, app: WeakspotApp) -> None:
    cases = {
        "make": ({"make": ""}, "make"),
        "the reason of a check": ({"lines-0-action": "checked_good"}, "lines-0-reason"),
        "a day to come": ({"date": "2026-12-01"}, "date"),
        "no such day": ({"date": "2026-02-30"}, "date"),
        "a number": ({"odometer": "many"}, "odometer"),
        "a cost": ({"lines-0-parts_cost": "-4"}, "lines-0-parts_cost"),
        "a currency": ({"lines-0-parts_cost": "4", "currency": "zzz"}, "currency"),
        "a machine": ({"machine": ""}, "machine"),
    }
    for what, (changed, field) in cases.items():
        answer = technician.post("/log-work", {**CARD, **changed}, shown_at="/log-work")
        text = answer.get_data(as_text=True)
        assert answer.status_code == 422, what
        assert f'id="{field}-error"' in text, what
        assert 'value="regulator_rectifier"' in text, what
    assert lines(app) == []


def test_a_card_sent_twice_is_written_once(technician: Visitor, app: WeakspotApp) -> None:
    for _ in range(2):
        answer = technician.post("/log-work", {**CARD, "once_key": "a"}, shown_at="/log-work")
        assert answer.status_code == 303
    again = technician.post("/log-work", {**CARD, "once_key": "b"}, shown_at="/log-work")
    assert again.location == answer.location and len(lines(app)) == 1
    assert "nothing was written twice" in technician.get(again.location).get_data(as_text=True)


def test_a_card_without_lines_says_the_machine_was_seen(technician: Visitor, app: WeakspotApp) -> None:
    cells = {name: value for name, value in CARD.items() if not name.startswith("lines")}
    assert technician.post("/log-work", {**cells, "lines-0-action": "renewed"}, shown_at="/log-work").status_code == 303
    (line,) = lines(app)
    assert (line.action, line.odometer_km, line.component_type_id) == ("seen", 31000.0, None)


def test_another_shops_machine_is_not_offered(
    technician: Visitor, visit: Callable[..., Visitor], app: WeakspotApp
) -> None:
    take_in(app.database, csv_file([row(machine="ARCH-1")]), shop="Sallow Lane Arches")
    take_in(app.database, csv_file([row(machine="COG-1")]))
    listed = technician.get("/log-work").get_data(as_text=True)
    assert "COG-1" in listed and "ARCH-1" not in listed
    found = technician.get("/log-work/machine?machine=ARCH-1&odometer=5&unit=km&date=2020-01-01").get_data(as_text=True)
    assert "Not on record here yet" in found and "Tindrake" not in found and "Lower" not in found
    mine = technician.post("/log-work", {**CARD, "machine": "COG-1"}, shown_at="/log-work").location
    assert visit("technician", "Sallow Lane Arches").get(mine).status_code == 404


def lines(app: WeakspotApp) -> list[JobLine]:
    """Lines in force, in the order they were written down."""
    with app.database.read() as session:
        wanted = select(JobLine).where(JobLine.superseded_by_id.is_(None)).order_by(JobLine.id)
        return list(session.scalars(wanted))
