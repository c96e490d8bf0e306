"""How right were we: nothing asked yet, asked and waiting, come to nothing, and shown in full, misses and all."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from typing import Any

import pytest

from service.app import WeakspotApp
from service.jobs.claiming import claim
from service.jobs.process import _run
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, take_in
from tests.web.browsers import Browsing
from tests.web.people import Visitor
from tests.web.story import OTHER_SHOP, newcomer, story_app

__all__ = ["story_app"]
MOST_BYTES = 150_000
ASKED = {"as_of": "2023-06-01", "months": "12"}


@pytest.fixture(scope="module")
def looked_back(story_app: WeakspotApp) -> tuple[WeakspotApp, str]:
    """The world with one backtest that is done, and its address."""
    mara = newcomer(story_app)
    where = mara.post("/how-right", ASKED, shown_at="/how-right").location
    assert "waiting" in mara.get(where).get_data(as_text=True)
    taken = claim(story_app.database, NOW)
    assert taken is not None and _run(story_app.database, story_app.settings, taken) == 0
    return story_app, where


def document(looked_back: tuple[WeakspotApp, str], mara: Visitor) -> Any:
    app, where = looked_back
    from service.jobs.backtest_asking import latest_backtest

    with app.database.read() as session:
        job = latest_backtest(session, mara.shop_id)
    assert job is not None and where.endswith(str(job.public_id))
    return job.result


def test_what_is_shown_is_what_was_found(looked_back: tuple[WeakspotApp, str]) -> None:
    app, where = looked_back
    mara = newcomer(app)
    found = document(looked_back, mara)
    told = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", mara.get("/how-right").get_data(as_text=True)))
    assert "1 Jun 2023" in told and f"{found['followed']['machines']:,} machines failed" in told
    assert f"Slope {found['calibration_slope']['value']:.2f}" in told
    assert "Coverage no opinion" in told
    top = found["top"]
    assert f"{top['found']:,.1f}".removesuffix(".0") + " of the failures stood there" in told
    assert len(re.findall(r"failed by |still good on ", told)) == min(len(found["worst_misses"]), 15)
    kept = mara.get(f"{where}/calibration.csv")
    rows = list(csv.DictReader(io.StringIO(kept.get_data(as_text=True), newline="")))
    tenths = found["calibration"]["tenths"]
    assert [float(r["parts"]) for r in rows] == [g["parts"] for g in tenths]
    assert [float(r["share_expected"]) for r in rows] == [g["expected"] for g in tenths]
    assert mara.get(f"{where}/calibration.png?save=1").get_data().startswith(b"\x89PNG")
    assert mara.get(f"{where}/other.svg").status_code == 404


def test_nobody_of_another_shop_is_named(looked_back: tuple[WeakspotApp, str]) -> None:
    app, where = looked_back
    mara, joss = newcomer(app), newcomer(app, shop=OTHER_SHOP)
    assert {miss["machine"] for miss in document(looked_back, mara)["worst_misses"]} == {None}
    assert joss.get(where).status_code == 404


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_page_is_sound(
    looked_back: tuple[WeakspotApp, str], chromium: Any, device: str, dark: bool, scripts: bool
) -> None:
    from tests.web.browsers import serving

    app, where = looked_back
    for site in serving(app):
        window = Browsing.open(chromium, site, device, scripts=scripts, visitor=newcomer(app), dark=dark)
        for path in ("/how-right", where):
            window.go(path)
            window.assert_sound()
            assert path == where or window.weight() <= MOST_BYTES
        assert window.page.get_by_role("heading", name="Where it was furthest off").is_visible()
        window.close()


@pytest.mark.parametrize("records", [0, 1], ids=["nothing", "one record"])
def test_asking_in_a_browser(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, scripts: bool, records: int
) -> None:
    if records:
        take_in(app.database, csv_file([row()]))
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/how-right")
    window.assert_sound()
    assert "Nobody has looked back yet" in page.inner_text("main")
    page.get_by_label("Day to look back to").fill("2018-06-01")
    page.get_by_role("button", name="Look back").click()
    page.wait_for_url("**/how-right/*")
    window.assert_sound()
    assert "waiting" in page.inner_text("main")
    taken = claim(app.database, NOW)
    assert taken is not None
    _run(app.database, app.settings, taken)
    page.reload()
    window.assert_sound()
    assert "came to nothing" in page.inner_text("main")


@pytest.mark.parametrize(
    ("as_of", "said"),
    [("2018-06-01", "nothing is known of any day up to 1 Jun 2018"),
     ("2020-06-01", "records end on 12 Mar 2019: nothing follows 1 Jun 2020")],
)  # fmt: skip
def test_why_nothing_came_of_it_is_said_with_days_as_pages_write_them(
    technician: Visitor, app: WeakspotApp, as_of: str, said: str
) -> None:
    take_in(app.database, csv_file([row()]))
    where = technician.post("/how-right", {"as_of": as_of}, shown_at="/how-right").location
    taken = claim(app.database, NOW)
    assert taken is not None
    _run(app.database, app.settings, taken)
    page = technician.get(where).get_data(as_text=True)
    assert said in page and as_of not in re.sub("<[^>]*>", "", page)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"as_of": "2026-06-01"}, "Choose a past day"), ({"as_of": "soon"}, 'id="as_of-error"'),
     ({"as_of": "2020-01-01", "months": "0"}, "above 0")],
)  # fmt: skip
def test_what_cannot_be_asked_is_refused_at_its_field(technician: Visitor, wrong: dict[str, str], said: str) -> None:
    answer = technician.post("/how-right", wrong, shown_at="/how-right")
    assert answer.status_code == 422 and said in answer.get_data(as_text=True)


def test_reader_sees_but_does_not_ask(reader: Visitor) -> None:
    page = reader.get("/how-right").get_data(as_text=True)
    assert "Nobody has looked back yet" in page and 'action="/how-right"' not in page
