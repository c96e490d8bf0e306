"""The frame of all pages in a real browser: both widths, both looks, with scripts and without, keyboard only."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.app import WeakspotApp
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import PASSWORD, Visitor, make_person

MOST_BYTES = 150_000  # what a page may weigh on first view, without pictures


def test_signing_in_by_keyboard(app: WeakspotApp, browse: Callable[..., Browsing], device: str, scripts: bool) -> None:
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician")
    window = browse(device, scripts=scripts)
    window.go("/account")
    assert window.path() == "/sign-in"
    window.assert_sound()
    assert window.weight() <= MOST_BYTES
    keys = window.page.keyboard
    keys.type("mara@gasket.example")  # the first field has the focus
    keys.press("Tab")
    keys.type(PASSWORD)
    keys.press("Enter")
    window.page.wait_for_url("**/account")
    assert "mara@gasket.example" in window.page.inner_text("main")
    window.assert_sound()


@ONE_ENGINE
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_account_and_problem_pages_are_sound(
    browse: Callable[..., Browsing], technician: Visitor, device: str, dark: bool
) -> None:
    window = browse(device, visitor=technician, dark=dark)
    for path in ("/account", "/nothing"):
        window.go(path)
        if path == "/nothing":
            window.complaints.clear()  # the browser logs the 404 itself
        window.assert_sound()


@ONE_ENGINE
def test_menu_of_a_narrow_screen_opens_without_scripts(
    browse: Callable[..., Browsing], technician: Visitor, scripts: bool
) -> None:
    window = browse("phone", scripts=scripts, visitor=technician)
    window.go("/account")
    link = window.page.locator("details.menu a", has_text=technician.login)
    assert not link.is_visible()
    window.page.locator("details.menu summary").click()
    assert link.is_visible()


def test_look_is_chosen_and_kept(
    browse: Callable[..., Browsing], technician: Visitor, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    window.go("/account")
    window.page.get_by_role("button", name="dark").click()
    window.page.wait_for_selector("html[data-look=dark]")
    assert window.path() == "/account"
    window.go("/account")
    assert window.page.get_by_role("button", name="dark").get_attribute("aria-pressed") == "true"


@ONE_ENGINE
def test_skip_link_comes_first(browse: Callable[..., Browsing], technician: Visitor) -> None:
    window = browse("desktop", visitor=technician)
    window.go("/account")
    window.page.keyboard.press("Tab")
    assert window.page.evaluate("document.activeElement.className") == "skip"
    window.page.keyboard.press("Enter")
    assert window.page.evaluate("document.activeElement.id") == "main"


@pytest.mark.parametrize("path", ["/look-first", "/machines", "/api/v1/machines"])
def test_bytes_that_are_no_utf8_in_a_query_are_no_error_of_ours(technician: Visitor, path: str) -> None:
    odd = technician.http.get(path, environ_overrides={"QUERY_STRING": "make=\xff&model=\xe9"})
    assert 200 <= odd.status_code < 500
