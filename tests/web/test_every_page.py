"""Every page with GET, found from the routes, over a small filled world: what each has to hold whatever it shows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from werkzeug.test import TestResponse

from service.app import WeakspotApp
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.filled import World
from tests.web.pages import Page

MOST_BYTES = 150_000  # what a page may weigh on first view, without pictures
PAPER = ("web.inspections.paper", "web.inspections.bill_paper")  # bring their style along, to be kept as one file
ELSEWHERE = {"web.account.home", "web.sign_in.sign_in", "web.openid.start", "web.openid.back"}  # lead on from here


@pytest.fixture
def world(app: WeakspotApp) -> World:
    return World(app)


def shown(world: World) -> list[tuple[str, str, TestResponse]]:
    """Every page there is, asked for by the owner."""
    return [
        (endpoint, path, world.owner.get(path)) for endpoint, path in world.addresses() if endpoint not in ELSEWHERE
    ]


def faults(endpoint: str, answer: TestResponse) -> list[str]:
    """What is wrong with an answer."""
    if answer.status_code != 200:
        return [f"status {answer.status_code}: {answer.get_data(as_text=True)[-400:]}"]
    if answer.mimetype != "text/html":
        return []
    html = answer.get_data(as_text=True)
    page = Page(html)
    found = [f"leads elsewhere: {place}" for place in page.elsewhere()]
    found += [f"form without token: {form}" for form in page.forms_without_token()]
    policy = answer.headers["Content-Security-Policy"]
    if endpoint not in PAPER:
        found += [f"inline {what}" for what in page.inline()]
        found += ["policy lets inline code in"] if "unsafe" in policy else []
    found += ["policy lets others in"] if "default-src 'none'" not in policy or "http" in policy else []
    if "<html" in html:  # the rest are parts of pages
        found += ["no language"] if not page.of("html")[0].get("lang") else []
        found += [f"{len(page.of('h1'))} h1"] if len(page.of("h1")) != 1 else []
        ids = [at["id"] for _tag, at in page.tags if "id" in at]
        found += [f"id twice: {name}" for name in set(ids) if ids.count(name) > 1]
        found += [f"tabindex {at['tabindex']}" for _tag, at in page.tags if int(at.get("tabindex", "0")) > 0]
        known = {at.get("for") for at in page.of("label")}
        found += [f"no label: {at}" for at in page.of("select") if at.get("id") not in known and "aria-label" not in at]
    return found


def test_every_page_holds_the_rules(world: World) -> None:
    wrong = {path: bad for endpoint, path, answer in shown(world) if (bad := faults(endpoint, answer))}
    assert wrong == {}


@ONE_ENGINE
def test_every_page_weighs_little_and_is_sound(world: World, browse: Callable[..., Browsing], device: str) -> None:
    """In a real browser: nothing from elsewhere, nothing blocked, nothing wider than the window, axe content.

    Contrast is looked at in the dark as well: colours are the same at both widths, so at one of them.
    """
    wrong: dict[str, Any] = {}
    pages = [
        path for endpoint, path, answer in shown(world) if answer.mimetype == "text/html" and endpoint not in PAPER
    ]
    window = browse(device, visitor=world.owner)
    window.keep_nothing()
    for path in pages:
        window.forget()
        window.go(path)
        if window.weight() > MOST_BYTES:
            wrong[path] = f"{window.weight()} bytes"
        try:
            if window.page.locator("h1").count():
                window.assert_sound()
                if device == "phone":
                    window.page.emulate_media(color_scheme="dark")
                    assert window.violations("color-contrast") == []
        except AssertionError as error:
            wrong[path] = str(error)[:600]
        window.page.emulate_media(color_scheme="light")
    assert wrong == {}


@ONE_ENGINE
def test_every_control_is_reached_by_keyboard(world: World, browse: Callable[..., Browsing]) -> None:
    """Tab goes through every link, field and summary that can be seen, in the order of the page."""
    wrong = {}
    for path in ("/look-first", f"/look-first?{world.look}", f"/machines/{world.values['machine_id'][0]}", "/shop"):
        window = browse("desktop", visitor=world.owner)
        window.go(path)
        seen = window.page.evaluate(REACHABLE)
        for _press in range(seen["count"]):
            window.page.keyboard.press("Tab")
            window.page.evaluate(NOTE)
        missed = window.page.evaluate(
            "[...document.querySelectorAll('[data-wanted]:not([data-met])')].map(e => e.outerHTML.slice(0, 120))"
        )
        if missed:
            wrong[path] = missed
    assert wrong == {}


# A group of radio buttons is one stop; what is inside a closed part is none.
REACHABLE = """() => {
  const stops = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']";
  const all = [...document.querySelectorAll(stops)];
  const shown = (e) => e.checkVisibility({contentVisibilityAuto: true});
  const wanted = all.filter((e) => shown(e) && e.type !== "radio" && !e.disabled);
  wanted.forEach(e => e.dataset.wanted = 1);
  return {count: all.length + 1};
}"""
NOTE = "() => { if (document.activeElement) document.activeElement.dataset.met = 1; }"
MISSED = "[...document.querySelectorAll('[data-wanted]:not([data-met])')].map(e => e.outerHTML.slice(0, 120))"
