"""The story of the Saturday viewing with nothing but a keyboard: from the empty form to the printed plan."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import Visitor

MOST_STOPS = 160  # more presses of Tab than any of these pages has stops
IS_HERE = "(wanted) => document.activeElement !== null && document.activeElement.matches(wanted)"
SEEN = """() => {
  const at = document.activeElement, style = getComputedStyle(at);
  return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
}"""


def tab_to(page: Any, wanted: str) -> None:
    """Press Tab until what is wanted has the focus, which can be seen to be there."""
    for _press in range(MOST_STOPS):
        if page.evaluate(IS_HERE, wanted):
            assert page.evaluate(SEEN), f"no outline around {wanted}"
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab never came to {wanted}")


def type_into(page: Any, name: str, text: str) -> None:
    tab_to(page, f"[name='{name}']")
    page.keyboard.type(text)


def choose(page: Any, name: str, value: str) -> None:
    """Choose of a list with the arrow keys."""
    tab_to(page, f"select[name='{name}']")
    box = page.locator(f"select[name='{name}']")
    page.keyboard.press("Home")
    for _press in range(box.locator("option").count()):
        if box.input_value() == value:
            return
        page.keyboard.press("ArrowDown")
    raise AssertionError(f"the arrows never came to {value}")


def enter(page: Any, wanted: str, address: str) -> None:
    """Press Enter on a link or button, and wait for where it leads."""
    tab_to(page, wanted)
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(address))
    page.wait_for_load_state()


@ONE_ENGINE
def test_from_the_form_to_the_printed_plan(
    browse: Callable[..., Browsing], technician: Visitor, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/look-first")
    page.wait_for_load_state()
    page.keyboard.press("Tab")
    assert page.evaluate(IS_HERE, ".skip"), "the first stop leads past the places"
    page.keyboard.press("Enter")
    for name, text in (("make", "Tindrake"), ("model", "Lanner 650"), ("odometer", "38000"), ("built", "2012-11")):
        type_into(page, name, text)
    type_into(page, "minutes", "40")
    choose(page, "kit", "home")
    choose(page, "permission", "may_strip")
    enter(page, "form.look button", r"/look-first\?.*make=Tindrake")
    assert "What to look at, in this order" in page.inner_text("main")
    enter(page, "form.start button", r"/inspections/[0-9a-f-]{36}$")
    visit = window.path()
    enter(page, f"a[href='{visit}/checks/T01']", "/checks/T01$")
    type_into(page, "values-0", "11.9")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/findings/"))
    page.wait_for_load_state()
    assert "bad: 11.9 V" in page.inner_text("main")
    enter(page, f"main a[href='{visit}']", f"{visit}$")
    enter(page, f"a[href='{visit}/plan.html']", r"/plan\.html$")
    assert "Tindrake Lanner 650" in page.inner_text("body")


@ONE_ENGINE
def test_the_places_open_and_close_by_keyboard(browse: Callable[..., Browsing], technician: Visitor) -> None:
    """On a phone they are behind a button; Escape closes it and gives the focus back."""
    window = browse("phone", visitor=technician)
    page = window.page
    window.go("/machines")
    tab_to(page, "details.menu > summary")
    page.keyboard.press("Enter")
    assert page.locator("details.menu").get_attribute("open") is not None
    tab_to(page, "details.menu a[href='/review']")
    page.keyboard.press("Escape")
    assert page.locator("details.menu").get_attribute("open") is None
    assert page.evaluate(IS_HERE, "details.menu > summary")
    page.keyboard.press("Enter")
    enter(page, "details.menu a[href='/review']", "/review$")
