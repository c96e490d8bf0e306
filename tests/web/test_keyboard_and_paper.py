"""Without a mouse, without motion, on paper: a whole flow by keyboard, and what pages do with a reader's settings."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from tests.web.browsers import Browsing
from tests.web.people import Visitor

MOST_PRESSES = 250
LOOK = "/look-first?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30"
MOVING = """() => [...document.querySelectorAll("*")].filter(e => {
  const style = getComputedStyle(e);
  return parseFloat(style.transitionDuration) > 0 || parseFloat(style.animationDuration) > 0;
}).length"""


def tab_to(window: Browsing, selector: str) -> None:
    """Press Tab until the focus is on what is meant; it has to be seen where it is."""
    for _press in range(MOST_PRESSES):
        window.page.keyboard.press("Tab")
        if window.page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
            outline = window.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", f"the focus on {selector} cannot be seen"
            return
    raise AssertionError(f"{selector} is not reached by keyboard")


def test_from_look_first_to_a_judged_check(
    browse: Callable[..., Browsing], technician: Visitor, scripts: bool, device: str
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    keys = window.page.keyboard
    window.go("/look-first")
    for field, words in (("#make", "Tindrake"), ("#model", "Lanner 650"), ("#odometer", "38000")):
        tab_to(window, field)
        keys.type(words)
    tab_to(window, "form.look button")
    keys.press("Enter")
    window.page.wait_for_url("**/look-first?**")
    tab_to(window, "form.start button")
    keys.press("Enter")
    window.page.wait_for_url(re.compile(r"/inspections/[0-9a-f-]{36}$"))
    tab_to(window, "a.button.big")
    keys.press("Enter")
    window.page.wait_for_url("**/checks/**")
    tab_to(window, "input[name=outcome]")
    keys.press("Space")
    for _press in range(2):
        keys.press("ArrowDown")
    tab_to(window, "form.finding button")
    keys.press("Enter")
    window.page.wait_for_url("**/findings/**")
    assert window.page.inner_text("h1").endswith(("good", "in between", "bad"))


def test_nothing_moves_for_those_who_want_it_so(browse: Callable[..., Browsing], technician: Visitor) -> None:
    window = browse("phone", visitor=technician)
    window.page.emulate_media(reduced_motion="reduce")
    for path in ("/look-first", LOOK, "/account"):
        window.go(path)
        assert window.page.evaluate(MOVING) == 0


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_printed_page_is_dark_on_light_without_buttons(
    browse: Callable[..., Browsing], technician: Visitor, dark: bool
) -> None:
    window = browse("desktop", visitor=technician, dark=dark)
    window.go(LOOK)
    window.page.emulate_media(media="print", color_scheme="dark" if dark else "light")
    for hidden in (".top nav", ".looks", "form.start button"):
        assert not window.page.locator(hidden).first.is_visible()
    ink = window.page.evaluate("getComputedStyle(document.querySelector('h1')).color")
    assert sum(int(part) for part in re.findall(r"\d+", ink)[:3]) < 200
    assert window.page.locator(".plan ol").first.is_visible(), "the steps of a plan are on paper too"
