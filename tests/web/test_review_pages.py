"""The review list as pages: answers one by one and to like rows, refusals at their fields, the way back."""

from __future__ import annotations

import re
from collections.abc import Callable

from sqlalchemy import select

from service.app import WeakspotApp
from service.models import Doubt, JobLine
from tests.service.job_files import csv_file, row, take_in
from tests.web.browsers import Browsing
from tests.web.people import Visitor

ROWS = [row(card=str(n), date=f"2019-0{n}-12", odometer=str(23000 + n * 500), component="RR") for n in (1, 2, 3)]


def open_doubts(app: WeakspotApp, kind: str = "ambiguous_word") -> list[Doubt]:
    with app.database.read() as session:
        wanted = select(Doubt).where(Doubt.settled_at.is_(None), Doubt.kind == kind)
        return list(session.scalars(wanted.order_by(Doubt.id)))


def test_one_answer_for_like_rows_and_its_trail(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    take_in(app.database, csv_file(ROWS))
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/review?kind=ambiguous_word")
    window.assert_sound()
    assert "apply it to 2 like rows as well" in page.inner_text("main")
    first = page.locator(".doubts > li").first
    first.locator("label", has_text="Regulator-rectifier").click()
    first.locator("label", has_text="like rows").click()
    page.get_by_role("button", name="Answer what is chosen").last.click()
    page.wait_for_selector(".said")
    assert "3 doubts are answered" in page.inner_text("main")
    assert open_doubts(app) == []
    window.go("/review?settled=true")
    page.get_by_role("link", name="The line, its trail").first.click()
    page.wait_for_url(re.compile("/review/lines/"))
    window.assert_sound()
    assert "What was written before" in page.inner_text("main") and technician.login in page.inner_text("main")


def test_a_line_taken_out_is_taken_back(technician: Visitor, app: WeakspotApp) -> None:
    take_in(app.database, csv_file(ROWS))
    doubt = open_doubts(app)[0]
    form = {"answers-0-doubt": str(doubt.public_id), "answers-0-choice": "withdraw", "why": "written for a joke"}
    assert technician.post("/review", form, shown_at="/review").status_code == 303
    with app.database.read() as session:
        line = session.get_one(JobLine, doubt.job_line_id).public_id
    page = technician.get(f"/review/lines/{line}").get_data(as_text=True)
    assert "it stands for nothing" in page and "written for a joke" in page
    undo = re.search(r'action="(/review/links/[^"]+/undo)"', page)
    assert undo
    assert technician.post(undo[1], shown_at="/review").status_code == 303
    assert "taken back by" in technician.get(f"/review/lines/{line}").get_data(as_text=True)


def test_a_correction_is_refused_at_its_field_and_a_good_one_goes_back_again(
    technician: Visitor, app: WeakspotApp
) -> None:
    take_in(app.database, csv_file([row()]))
    with app.database.read() as session:
        line = session.scalars(select(JobLine)).one().public_id
    cells = {"date": "2019-03-12", "odometer": "23000", "unit": "km", "component": "regulator_rectifier",
             "action": "renewed", "reason": "failed"}  # fmt: skip
    path = f"/review/lines/{line}"
    for changed, field in (({"odometer": "many"}, "odometer"), ({"date": "12/3/19"}, "date")):
        answer = technician.post(path, cells | changed, shown_at=path)
        assert answer.status_code == 422 and f'id="{field}-error"' in answer.get_data(as_text=True)
    done = technician.post(path, cells | {"odometer": "24000"}, shown_at=path)
    assert done.status_code == 303 and "24000" in technician.get(done.location).get_data(as_text=True)
    assert technician.post(f"{path}/back", shown_at=path).status_code == 303
    with app.database.read() as session:
        in_force = session.scalars(select(JobLine).where(JobLine.superseded_by_id.is_(None))).one()
    assert in_force.odometer_km == 23000.0


def test_refusals_and_other_shops(technician: Visitor, visit: Callable[..., Visitor], app: WeakspotApp) -> None:
    take_in(app.database, csv_file(ROWS))
    doubt = open_doubts(app)[0]
    form = {"answers-0-doubt": str(doubt.public_id), "answers-0-choice": "part", "answers-0-part": "flux gate"}
    refused = technician.post("/review", form, shown_at="/review")
    assert refused.status_code == 422 and 'id="answers-0-part-error"' in refused.get_data(as_text=True)
    assert technician.post("/review", {"answers-0-doubt": str(doubt.public_id)}, shown_at="/review").status_code == 422
    other = visit("technician", "Sallow Lane Arches")
    assert "RR" not in other.get("/review?kind=ambiguous_word").get_data(as_text=True)
    stolen = form | {"answers-0-choice": "withdraw"}
    assert other.post("/review", stolen, shown_at="/review").status_code == 422
    assert len(open_doubts(app)) == 3
