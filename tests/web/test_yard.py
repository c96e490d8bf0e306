"""From an empty form to the printed plan, a reading that fails and the bill, in a real browser."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Callable

import pytest
from PIL import Image
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.models import Finding, Inspection
from tests.web.browsers import Browsing
from tests.web.people import Visitor

MOST_BYTES = 150_000


def describe(window: Browsing) -> None:
    """The machine of the Saturday viewing."""
    page = window.page
    page.get_by_label("Make").fill("Tindrake")
    page.get_by_label("Model", exact=True).fill("Lanner 650")
    page.get_by_label("Odometer may stay empty", exact=True).fill("38,000")
    page.get_by_label("Built").fill("2012-11")
    page.get_by_label("Minutes you have").fill("40")
    page.get_by_label("Tools at hand").select_option("home")
    page.get_by_label("What you may do").select_option("may_strip")


def started(window: Browsing) -> None:
    window.go("/look-first")
    describe(window)
    window.page.get_by_role("button", name="Show what to look at first").click()
    window.page.get_by_role("button", name="Start the inspection").click()
    window.page.wait_for_url(re.compile(r"/inspections/[0-9a-f-]{36}$"))


def test_from_an_empty_form_to_the_bill(
    browse: Callable[..., Browsing], technician: Visitor, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/look-first")
    window.assert_sound()
    assert window.weight() <= MOST_BYTES
    describe(window)
    page.get_by_role("button", name="Show what to look at first").click()
    page.wait_for_url("**/look-first?**")
    window.assert_sound()
    body = page.inner_text("main")
    assert body.index("What to look at, in this order") < body.index("What tends to fail")
    assert "Tyre" in body and "safety" in body and "between" in body
    page.get_by_role("button", name="Start the inspection").click()
    page.wait_for_url(re.compile(r"/inspections/[0-9a-f-]{36}$"))
    window.assert_sound()
    visit = window.path()

    window.go(f"{visit}/checks/T03")
    window.assert_sound()
    text = page.inner_text("main")
    assert text.index("Carbon monoxide") < text.index("Steps") < text.index("What you found")
    page.get_by_label("Reading may stay empty", exact=True).first.fill("12.9")
    page.get_by_role("button", name="Judge it").click()
    page.wait_for_url("**/findings/**")
    window.assert_sound()
    said = page.inner_text("main")
    assert "bad: 12.9 V; passes 13.5 to 15 V" in said
    assert "Main fuse holder and charging connectors" in said and "Next best" in said

    window.go(f"{visit}/plan.html")
    printed = page.inner_text("body")
    assert "Tindrake Lanner 650" in printed and "Charging voltage" in printed
    assert window.complaints == []

    window.go(f"{visit}/bill")
    page.get_by_label("Asking price").fill("2900")
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_url("**/bill?asking_price=2900")
    window.assert_sound()
    assert "At the table" in page.inner_text("main") and "€" in page.inner_text("main")


def test_an_inspection_is_taken_up_again_and_closed(
    browse: Callable[..., Browsing], technician: Visitor, device: str, scripts: bool
) -> None:
    """In another window of another day: what was found is there; a picture, the truth of a part, and the PDF of it."""
    started(browse("desktop", scripts=False, visitor=technician))
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/inspections")
    window.assert_sound()
    page.get_by_role("link", name="Tindrake Lanner 650").click()
    page.wait_for_url(re.compile(r"/inspections/[0-9a-f-]{36}$"))
    picture = io.BytesIO()
    Image.new("RGB", (8, 8)).save(picture, "PNG")
    page.get_by_label("A picture").set_input_files(
        {"name": "a.png", "mimeType": "image/png", "buffer": picture.getvalue()}
    )
    page.get_by_label("What it shows").fill("the plug, charred")
    page.get_by_role("button", name="Keep the picture").click()
    page.get_by_text("the plug, charred").wait_for()
    page.get_by_text("Say what a part turned out to be").click()
    page.get_by_label("Part that was opened or renewed").select_option("stator|")
    page.get_by_role("button", name="Keep it").click()
    page.get_by_text("was bad", exact=True).wait_for()
    paper = page.get_by_role("link", name="Plan as PDF").get_attribute("href")
    assert window.context.request.get(f"{window.site}{paper}").body().startswith(b"%PDF")
    page.get_by_role("button", name="Close the inspection").click()
    page.locator(".lead", has_text="closed").wait_for()
    window.assert_sound()


def test_what_was_written_without_a_connection_is_sent_once(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str
) -> None:
    window = browse(device, visitor=technician)
    page = window.page
    started(window)
    visit = window.path()
    window.go(f"{visit}/checks/T03")
    page.get_by_label("Reading may stay empty", exact=True).first.fill("12.9")
    window.context.set_offline(True)
    page.get_by_role("button", name="Judge it").click()
    page.wait_for_selector("#waiting:not([hidden])")
    assert "goes out when the connection is back" in page.inner_text("#waiting")
    assert count(app, Finding) == 0
    window.context.set_offline(False)
    page.wait_for_selector("#waiting[hidden]", state="attached")
    window.go(visit)
    assert "Charging voltage" in page.inner_text("main")
    assert count(app, Finding) == 1


def test_a_form_sent_twice_is_done_once(technician: Visitor, app: WeakspotApp) -> None:
    query = "?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30"
    page = technician.get("/look-first" + query).get_data(as_text=True)
    key = re.search(r'name="once_key" value="([^"]+)"', page)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert key and token
    form = {"once_key": key[1], "csrf_token": token[1]}
    first = technician.http.post("/inspections" + query, data=form)
    again = technician.http.post("/inspections" + query, data=form)
    assert first.status_code == again.status_code == 303 and first.location == again.location
    assert count(app, Inspection) == 1


def test_reasons_of_all_parts_are_a_link_away(technician: Visitor) -> None:
    query = "?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30"
    few = technician.get("/look-first" + query).get_data(as_text=True)
    link = re.search(r'href="(/look-first[^"]*all=yes)#others"', few)
    assert link
    every = technician.get(html.unescape(link[1])).get_data(as_text=True)
    ranked = len(re.findall(r"<li[ >]", every.split('<ol class="ranking"', 1)[1]))
    assert few.count("Why, and what it rests on") == 10 < every.count("Why, and what it rests on") == ranked


def test_refusals_stand_at_their_fields_and_nothing_is_lost(technician: Visitor, app: WeakspotApp) -> None:
    empty = technician.get("/look-first?make=Tindrake")
    assert empty.status_code == 422 and "Write the model." in empty.get_data(as_text=True)
    vague = technician.get("/look-first?make=Tindrake&model=Lanner+650")
    text = vague.get_data(as_text=True)
    assert vague.status_code == 422 and "Give the odometer" in text and 'value="Tindrake"' in text
    where = technician.post("/inspections?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&permission=may_strip",
                            shown_at="/look-first").location  # fmt: skip
    wrong = technician.post(f"{where}/checks/T03", {"values-0": "12.9", "unit": "mm", "note": "kept words"})
    told = wrong.get_data(as_text=True)
    assert wrong.status_code == 422 and "kept words" in told and 'class="error"' in told
    assert count(app, Finding) == 0
    nothing = technician.post(f"{where}/checks/T03", {"note": "nothing read"})
    assert nothing.status_code == 422 and count(app, Finding) == 0


def test_inspections_of_another_shop_do_not_exist(
    technician: Visitor, visit: Callable[..., Visitor], app: WeakspotApp
) -> None:
    where = technician.post("/inspections?make=Tindrake&model=Lanner+650&odometer=38000&unit=km",
                            shown_at="/look-first").location  # fmt: skip
    other = visit("technician", "Sallow Lane Arches")
    for path in ("", "/bill", "/plan.html", "/checks/T03"):
        assert other.get(where + path).status_code == 404
    assert other.post(f"{where}/checks/T03", {"values-0": "12.9"}).status_code == 404
    assert "Lanner" not in other.get("/inspections").get_data(as_text=True)


@pytest.mark.parametrize("path", ["/inspections", "/look-first"])
def test_empty_places_say_what_to_do(browse: Callable[..., Browsing], technician: Visitor, path: str) -> None:
    window = browse("phone", visitor=technician)
    window.go(path)
    window.assert_sound()


def test_outcome_photo_and_close(technician: Visitor, app: WeakspotApp) -> None:
    where = technician.post("/inspections?make=Tindrake&model=Lanner+650&odometer=38000&unit=km",
                            shown_at="/look-first").location  # fmt: skip
    kept = technician.post(f"{where}/outcomes", {"part": "stator|", "really_bad": "yes", "note": "burnt"})
    assert kept.status_code == 303
    assert "was bad" in technician.get(where).get_data(as_text=True)
    unknown = technician.post(f"{where}/outcomes", {"part": "flux_gate|", "really_bad": "yes"})
    assert unknown.status_code == 422
    assert technician.post(f"{where}/close").status_code == 303
    page = technician.get(where).get_data(as_text=True)
    assert "closed" in page and "Judge it" not in technician.get(f"{where}/checks/T03").get_data(as_text=True)


def count(app: WeakspotApp, model: type) -> int:
    with app.database.read() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0
