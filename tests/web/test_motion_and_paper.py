"""Without motion, on paper: what pages do with a reader's settings."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import Visitor

LOOK = "/look-first?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30"
MOVING = """() => [...document.querySelectorAll("*")].filter(e => {
  const style = getComputedStyle(e);
  return parseFloat(style.transitionDuration) > 0 || parseFloat(style.animationDuration) > 0;
}).length"""


@ONE_ENGINE
def test_nothing_moves_for_those_who_want_it_so(browse: Callable[..., Browsing], technician: Visitor) -> None:
    window = browse("phone", visitor=technician)
    window.page.emulate_media(reduced_motion="reduce")
    for path in ("/look-first", LOOK, "/account"):
        window.go(path)
        assert window.page.evaluate(MOVING) == 0


@ONE_ENGINE
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
