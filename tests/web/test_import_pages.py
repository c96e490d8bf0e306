"""A messy file in a real browser: what was understood, mended, taken in, and answered to a clean review list."""

from __future__ import annotations

import re
from collections.abc import Callable

from sqlalchemy import func, select

from service.app import WeakspotApp
from service.models import Doubt, ImportJob, JobLine, ShopColumn
from tests.service.job_files import csv_file, row
from tests.web.browsers import Browsing
from tests.web.people import Visitor

# Own lines, of an invented shop: days first, decimal commas, its own columns, an ambiguous word and a filler.
MESSY = """Job No;Datum;Bike;Marke;Modell;KM;Teil;Seite;Work;Grund;Price;Ccy;Remarks
501;12/3/19;GTDLN65A2CA000127;Tindrake;Lanner 650;23000;reg/rec;;renewed;failed;89,50;EUR;won't charge
502;14/06/2019;GTDLN65A2CA000127;Tindrake;Lanner 650;25100;RR;;renewed;found_failed;24;EUR;RR fitted
503;05/04/2020;GTDLN65A2CA000127;Tindrake;Lanner 650;99999;battery;;checked_good;;;;
504;05/04/2020;GTDLN65A2CA000127;Tindrake;Lanner 650;26000;belt;;painted;;;;belt due
"""


def count(app: WeakspotApp, model: type) -> int:
    with app.database.read() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_from_a_messy_file_to_a_clean_review_list(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/log-work/files")
    window.assert_sound()
    page.set_input_files(
        "input[type=file]", {"name": "cards.csv", "mimeType": "text/csv", "buffer": MESSY.encode("cp1252")}
    )
    page.get_by_role("button", name="Look at it").click()
    page.wait_for_url(re.compile("/log-work/files/[0-9a-f-]{36}$"))
    window.assert_sound()
    assert "the date cannot be read for certain" in page.inner_text("main") and "semicolon" in page.inner_text("main")
    page.get_by_label("Dates are written").select_option("dmy")
    page.get_by_label("Decimals stand behind").select_option(",")
    page.get_by_role("button", name="Read it again like this").click()
    page.wait_for_selector("[name=keep_good]")
    window.assert_sound()
    assert count(app, JobLine) == 0
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_selector("main .refused")
    assert "nothing was taken in" in page.inner_text("main") and count(app, JobLine) == 0
    window.complaints.clear()
    page.locator("[name=keep_good]").check()
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_url(re.compile("/imports/"))
    window.assert_sound()
    assert count(app, JobLine) == 3 and count(app, ImportJob) == 0 and count(app, ShopColumn) == 13
    page.get_by_role("link", name="Answer them").click()
    page.wait_for_url(re.compile("/review"))
    window.assert_sound()
    for _ in range(4):
        word = page.locator(".doubts label", has_text="Regulator-rectifier")
        (word if word.count() else page.locator(".doubts label", has_text="no reading")).first.click()
        page.get_by_role("button", name="Answer what is chosen").last.click()
        page.wait_for_load_state()
        if "Nothing stands in doubt" in page.inner_text("main"):
            break
    window.assert_sound()
    with app.database.read() as session:
        assert session.scalars(select(Doubt.kind).where(Doubt.settled_at.is_(None))).all() == []
    window.go("/review?settled=true")
    window.assert_sound()
    assert technician.login in page.inner_text("main")
    page.get_by_role("link", name="The line, its trail").first.click()
    page.wait_for_url(re.compile("/review/lines/"))
    window.assert_sound()


def test_files_that_cannot_be_read_are_refused_with_the_reason(technician: Visitor, app: WeakspotApp) -> None:
    assert technician.post("/log-work/files", {}, shown_at="/log-work/files").status_code == 422
    import io

    sent = technician.post(
        "/log-work/files", {"file": (io.BytesIO(b"no header\n1\n"), "x.csv")}, shown_at="/log-work/files"
    )
    page = technician.get(sent.location)
    assert "is not known" in page.get_data(as_text=True) or "must name the columns" in page.get_data(as_text=True)
    assert technician.post(f"{sent.location}/put-away", shown_at="/log-work/files").status_code == 303
    assert technician.get(sent.location).status_code == 404 and count(app, ImportJob) == 0


def test_another_shops_file_does_not_exist(technician: Visitor, visit: Callable[..., Visitor]) -> None:
    import io

    sent = technician.post(
        "/log-work/files", {"file": (io.BytesIO(csv_file([row()])), "x.csv")}, shown_at="/log-work/files"
    )
    other = visit("technician", "Sallow Lane Arches")
    assert other.get(sent.location).status_code == 404
    assert other.post(f"{sent.location}/take-in", shown_at="/log-work/files").status_code == 404
    done = technician.post(f"{sent.location}/take-in", shown_at="/log-work/files")
    assert done.status_code == 303 and other.get(done.location).status_code == 404
