"""Shop: settings, people, tokens, accesses; each by the role it takes."""

from __future__ import annotations

import json
import re
from collections.abc import Callable

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import ApiToken, Person, Shop
from tests.service.job_files import csv_file, row, take_in
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import PASSWORD, Visitor

PEOPLE, TOKENS, SHARED, COPIES = "/shop/people", "/shop/tokens", "/shop/shared", "/shop/copies"
SETTINGS = {"unit": "mi", "hourly_rate": "72.50", "currency": "chf", "locale": "de_CH", "region": " Ellery  Coast ",
            "machine_use": "rental"}  # fmt: skip


def text_of(answer: object) -> str:
    return answer.get_data(as_text=True)  # type: ignore[attr-defined, no-any-return]


def test_settings_are_kept_and_used(app: WeakspotApp, owner: Visitor) -> None:
    assert owner.post("/shop/settings", SETTINGS).status_code == 303
    page = text_of(owner.get("/shop"))
    assert re.search(r'value="mi"[^>]*checked|checked[^>]*value="mi"', page)
    assert 'value="CHF"' in page and 'value="72.5' in page
    with app.database.read() as session:
        shop = session.get_one(Shop, owner.shop_id)
    assert (shop.unit, shop.locale, shop.region, shop.machine_use) == ("mi", "de_CH", "Ellery Coast", "rental")
    assert 'value="Ellery Coast"' in page
    assert "an hour 72.50 CHF" in text_of(owner.get("/shop/accesses"))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"hourly_rate": "plenty"}, "Write a number, such as 12.5."),
        ({"hourly_rate": "0"}, "more than 0"),
        ({"hourly_rate": "nan"}, "Write a number, such as 12.5."),
        ({"currency": "XQQ"}, "three letters"),
        ({"unit": "leagues"}, "valid choice"),
        ({"locale": "xx_YY"}, "valid choice"),
        ({"region": "x" * 81}, "at most 80 characters"),
        ({"machine_use": "racing"}, "valid choice"),
    ],
)
def test_settings_that_cannot_be(app: WeakspotApp, owner: Visitor, wrong: dict[str, str], said: str) -> None:
    answer = owner.post("/shop/settings", {**SETTINGS, **wrong})
    assert answer.status_code == 422
    assert said in text_of(answer)
    with app.database.read() as session:
        assert session.get_one(Shop, owner.shop_id).unit is None


def test_somebody_is_added_sets_a_password_and_is_removed(app: WeakspotApp, owner: Visitor) -> None:
    page = text_of(owner.post(PEOPLE, {"name": "odd@gasket.example", "role": "technician"}))
    (path,) = re.findall(r"http://localhost(/set-password/[\w-]+)", page)
    odd = Visitor(app.test_client())
    assert odd.post(path, {"password": PASSWORD, "password_again": PASSWORD}, shown_at=path).status_code == 303
    assert odd.get("/shop").status_code == 200
    assert "/set-password/" not in text_of(owner.get(PEOPLE))
    assert owner.post(PEOPLE, {"name": "odd@gasket.example", "role": "technician"}).status_code == 422
    with app.database.read() as session:
        person_id = session.scalars(select(Person.public_id).where(Person.login == "odd@gasket.example")).one()
    assert owner.post(f"{PEOPLE}/{person_id}/remove").status_code == 303
    assert odd.get("/shop").status_code == 403


def test_last_owner_cannot_leave(app: WeakspotApp, owner: Visitor) -> None:
    with app.database.read() as session:
        person_id = session.scalars(select(Person.public_id)).one()
    for path, form in (("remove", {}), ("take-role", {"role": "owner"})):
        answer = owner.post(f"{PEOPLE}/{person_id}/{path}", form)
        assert answer.status_code == 409
        assert "at least one owner" in text_of(answer)


def test_token_is_shown_once_and_is_of_its_maker(app: WeakspotApp, technician: Visitor, owner: Visitor) -> None:
    page = text_of(technician.post(TOKENS, {"label": "till", "scope": "write", "days": "30"}))
    (token,) = re.findall(r"<code>(wsp_[\w-]{43})</code>", page)
    assert token not in text_of(technician.get(TOKENS))
    call = {"Authorization": f"Bearer {token}"}
    assert app.test_client().get("/api/v1/machines", headers=call).status_code == 200
    assert technician.post(TOKENS, {"label": "all", "scope": "admin", "days": "30"}).status_code == 422
    assert technician.post(TOKENS, {"label": "", "scope": "read", "days": "0"}).status_code == 422
    with app.database.read() as session:
        token_id = session.scalars(select(ApiToken.public_id)).one()
    assert "till" in text_of(owner.get(TOKENS))
    assert owner.post(f"{TOKENS}/{token_id}/revoke").status_code == 303
    assert app.test_client().get("/api/v1/machines", headers=call).status_code == 401


def test_others_tokens_are_not_ones_own(app: WeakspotApp, owner: Visitor, technician: Visitor) -> None:
    owner.post(TOKENS, {"label": "the owner's", "scope": "admin", "days": "30"})
    assert "the owner" not in text_of(technician.get(TOKENS))
    with app.database.read() as session:
        token_id = session.scalars(select(ApiToken.public_id)).one()
    assert technician.post(f"{TOKENS}/{token_id}/revoke").status_code == 404


@ONE_ENGINE
def test_pages_are_sound_with_long_names(browse: Callable[..., Browsing], owner: Visitor, device: str) -> None:
    owner.post(TOKENS, {"label": "a" * 120, "scope": "admin", "days": "30"})
    owner.post(PEOPLE, {"name": f"{'longname' * 12}@gasket.example", "role": "technician"})
    owner.post(SHARED, {"sharing": "no", "why": "members voted " * 28}, shown_at=SHARED)
    window = browse(device, visitor=owner)
    for path in ("/shop", PEOPLE, TOKENS, SHARED, COPIES, "/shop/accesses"):
        window.go(path)
        window.assert_sound()


def test_adding_somebody_in_a_browser(
    browse: Callable[..., Browsing], owner: Visitor, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=owner)
    window.go(PEOPLE)
    window.page.get_by_label("Login name").fill("odd@gasket.example")
    window.page.get_by_label("Role").select_option("reader")
    window.page.get_by_role("button", name="Add").click()
    window.page.get_by_role("status").wait_for()
    assert "/set-password/" in window.page.get_by_role("status").inner_text()
    window.assert_sound()


def test_the_shop_is_run_in_a_browser(
    browse: Callable[..., Browsing], owner: Visitor, app: WeakspotApp, device: str, scripts: bool
) -> None:
    """Settings in another language, a token made and ended, sharing ended, a copy kept: all of it by its pages."""
    take_in(app.database, csv_file([row()]))
    window = browse(device, scripts=scripts, visitor=owner)
    page = window.page
    window.go(TOKENS)
    page.get_by_label("What it is for").fill("the till")
    page.get_by_role("button", name="Make it").click()
    assert page.locator("[role=status] code").inner_text().startswith("wsp_")
    window.assert_sound()
    page.get_by_role("button", name="Revoke").click()
    page.get_by_text("No token yet").wait_for()
    window.go(SHARED)
    page.get_by_label("it does not share").check()
    page.get_by_label("Why").fill("members voted")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("members voted").wait_for()
    window.assert_sound()
    window.go(COPIES)
    with page.expect_download() as kept:
        page.get_by_role("link", name="Table (CSV)").click()
    assert kept.value.suggested_filename.endswith(".csv")
    window.go("/shop")
    page.get_by_label("miles").check()
    page.get_by_label("An hour of labour costs").fill("72.50")
    page.get_by_label("Currency").fill("chf")
    page.get_by_label("Figures and days as in").select_option("de_CH")
    page.get_by_role("button", name="Save").click()
    page.get_by_role("button", name="Speichern").wait_for()
    assert page.get_by_label("Meilen").is_checked() and page.locator("[name=currency]").input_value() == "CHF"
    window.assert_sound()


def test_what_is_shared_is_seen_row_by_row_and_an_owner_decides(
    app: WeakspotApp, owner: Visitor, reader: Visitor
) -> None:
    belt = {"component": "cvt_belt", "make": "Hexley", "model": "Dray 300", "machine": "SECRET-1", "notes": "SECRET-2"}
    cards = [("1", "2019-01-10", "9000"), ("2", "2020-02-10", "23000"), ("3", "2021-03-10", "31000")]
    take_in(app.database, csv_file([row(**belt, card=c, date=d, odometer=o) for c, d, o in cards]))
    page = text_of(reader.get(SHARED))
    assert "Scooter drive belt" in page and "SECRET" not in page and "Write it down" not in page
    rows = [json.loads(line) for line in text_of(reader.get(f"{SHARED}/rows.jsonl")).splitlines()]
    assert rows and "SECRET" not in json.dumps(rows)
    past = owner.post(SHARED, {"sharing": "no", "from_day": "2001-01-01"}, shown_at=SHARED)
    assert past.status_code == 422 and "day in the past cannot be changed" in text_of(past)
    assert owner.post(SHARED, {"sharing": "no", "why": "members voted"}, shown_at=SHARED).status_code == 303
    page = text_of(owner.get(SHARED))
    assert "This shop does not share" in page and "members voted" in page
    assert "does not share from" in text_of(owner.get("/shop/accesses"))


def test_job_lines_are_kept_as_a_file_that_goes_in_again(app: WeakspotApp, owner: Visitor) -> None:
    take_in(app.database, csv_file([row()]))
    assert "weakspot backup" in text_of(owner.get(COPIES))
    kept = owner.get(f"{COPIES}/job-lines.csv").get_data()
    again = take_in(app.database, kept)
    assert (again.lines_new, again.lines_already_there) == (0, 1)
    assert owner.get(f"{COPIES}/job-lines.exe").status_code == 404
