"""Lifetimes: curves with their figures beside them, models compared, pictures and tables to keep."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode
from xml.etree import ElementTree

import pytest

from service.app import WeakspotApp
from tests.service.callers import make_caller
from tests.web.browsers import Browsing
from tests.web.people import Visitor
from tests.web.story import SHOP, newcomer, story_app

__all__ = ["story_app"]
MOST_BYTES = 150_000
LANNER = {"make": "Tindrake", "model": "Lanner 650", "stratum": "0"}
PAGE = "/lifetimes/regulator_rectifier/model"


@pytest.fixture
def app(story_app: WeakspotApp) -> WeakspotApp:
    return story_app


@pytest.fixture
def mara(app: WeakspotApp) -> Visitor:
    return newcomer(app)


def rows_of(answer: Any) -> list[dict[str, str]]:
    assert (answer.status_code, answer.mimetype) == (200, "text/csv")
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True), newline="")))


def test_table_to_keep_is_what_the_interface_answers(app: WeakspotApp, mara: Visitor) -> None:
    caller = make_caller(app, SHOP)
    answered = caller.get(f"/api/v1/components/regulator_rectifier/risk?{urlencode(LANNER)}").get_json()
    rows = rows_of(mara.get(f"{PAGE}/survival.csv", query_string=LANNER))
    for who, name in (("estimated", "estimate"), ("own", "own records")):
        mine = [row for row in rows if row["records"] == name]
        curve = answered[who]["curve"]
        assert [float(row["age_km"]) for row in mine] == [point["age"] for point in curve]
        assert [float(row["share_still_good"]) for row in mine if row["share_still_good"]] == [
            point["value"] for point in curve if point["value"] is not None
        ]
    bands = rows_of(mara.get(f"{PAGE}/failures.csv", query_string=LANNER))
    own = [float(row["failures"]) for row in bands if row["records"] == "own records"]
    assert own == [band["failures"] for band in answered["own"]["hazards"]]


@pytest.mark.parametrize("name", ["survival", "failures", "repeats"])
def test_pictures_can_be_kept(mara: Visitor, name: str) -> None:
    drawn = mara.get(f"{PAGE}/{name}.svg", query_string=LANNER)
    assert ElementTree.fromstring(drawn.get_data()).tag == "{http://www.w3.org/2000/svg}svg"
    assert "attachment" not in drawn.headers.get("Content-Disposition", "")
    kept = mara.get(f"{PAGE}/{name}.png", query_string={**LANNER, "save": 1})
    assert kept.get_data().startswith(b"\x89PNG\r\n\x1a\n") and kept.mimetype == "image/png"
    assert kept.headers["Content-Disposition"] == f'attachment; filename="regulator_rectifier-{name}.png"'
    assert mara.get(f"{PAGE}/{name}.svg", query_string={**LANNER, "tone": "dark"}).get_data() != drawn.get_data()


def test_weak_model_stands_out_and_its_builds_are_told_apart(mara: Visitor) -> None:
    # Planted in the invented world: the Lanner's first regulator is the weak one, its successor is not.
    page = mara.get("/lifetimes/regulator_rectifier").get_data(as_text=True)
    told = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    assert re.search(r"Tindrake Lanner 650 the oldest part number [\d. –]+.*? weak ", told)
    assert "the oldest part number against part number 2" in told
    first = mara.get(PAGE, query_string={"make": "Tindrake", "model": "Lanner 650"}).get_data(as_text=True)
    assert "a part whose number nobody knows" in first and "stratum=1" in first


def test_look_first_says_how_far_the_records_go(mara: Visitor) -> None:
    described = {"make": "Tindrake", "model": "Lanner 650", "odometer": "38000", "unit": "km", "minutes": "20"}
    page = mara.get("/look-first", query_string=described).get_data(as_text=True)
    assert re.search(r"records through \d{1,2} [A-Z][a-z]+ 20\d\d", page)


def test_wrong_questions_are_refused_at_their_field(mara: Visitor) -> None:
    for wrong, said in (
        ({"stratum": "7"}, "Not a stratum on record"),
        ({"distance_a_year": "0"}, "Distance a year"),
        ({"clock": "hours"}, "Must be one of"),
    ):
        answer = mara.get(PAGE, query_string={**LANNER, **wrong})
        assert answer.status_code == 422 and said in answer.get_data(as_text=True), wrong
    for path in ("/lifetimes/nothing", f"{PAGE}?make=Tindrake", f"{PAGE}/nothing.svg?{urlencode(LANNER)}",
                 f"{PAGE}/survival.exe?{urlencode(LANNER)}", "/lifetimes/nothing/model?make=A&model=B"):  # fmt: skip
        assert mara.get(path).status_code == 404, path


def test_part_and_model_are_chosen(browse: Callable[..., Browsing], mara: Visitor, device: str, scripts: bool) -> None:
    window = browse(device, scripts=scripts, visitor=mara)
    page = window.page
    window.go("/lifetimes")
    window.assert_sound()
    assert window.weight() <= MOST_BYTES
    page.get_by_label("Part").select_option("regulator_rectifier")
    page.get_by_label("Model").select_option("Tindrake|Lanner 650")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**/model?**")
    page.get_by_role("link", name="the oldest part number").click()
    page.wait_for_url("**stratum=0**")
    window.assert_sound()
    widths = page.evaluate("[...document.images].map(i => i.naturalWidth)") if scripts else [1]
    assert widths and all(widths), "a picture was not drawn"
    with page.expect_download() as kept:
        page.get_by_role("link", name=re.compile("CSV")).first.click()
    assert kept.value.suggested_filename == "regulator_rectifier-survival.csv"
    page.get_by_role("link", name="all models compared").click()
    page.wait_for_url("**/lifetimes/regulator_rectifier")
    window.assert_sound()
    assert "weak" in page.inner_text("main")


@pytest.mark.parametrize("look", ["light", "dark"])
def test_page_of_a_model_is_sound(browse: Callable[..., Browsing], mara: Visitor, device: str, look: str) -> None:
    window = browse(device, visitor=mara, dark=look == "dark")
    window.go(f"{PAGE}?{urlencode(LANNER)}&clock=days")
    window.assert_sound()
    assert window.weight() <= MOST_BYTES
    window.page.get_by_role("button", name=look, exact=True).click()
    window.page.wait_for_selector(f"html[data-look={look}]")
    assert window.page.locator(f"img[src*='tone={look}']").count() == 3
    window.assert_sound()
