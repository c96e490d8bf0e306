"""Markup and scripts in every text that people can write come out as text, on every page that shows them.

The strings are of the kinds that the OWASP cross-site scripting prevention cheat sheet tells apart (element content,
attributes, scripts, addresses), written from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.app import WeakspotApp
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.filled import World
from tests.web.pages import Page

MARK = "bolt7"
SAID = (
    f"<img/src=x/onerror={MARK}()><script>{MARK}()</script>",
    f"\"'><svg/onload={MARK}()></title></textarea><{MARK}>",
    f"'/onfocus={MARK}()/autofocus/x='{{{{7919*7907}}}}%(n)s%s&lt;{MARK}&gt;",
    f"javascript:{MARK}()//--></option></select><{MARK}>",
)


@pytest.mark.parametrize("databases", ["sqlite"], indirect=True)  # both engines keep texts to the byte
@pytest.mark.parametrize("said", SAID)
def test_it_stays_text_on_every_page(app: WeakspotApp, said: str) -> None:
    world = World(app, said=said)
    shown = 0
    for endpoint, path in world.addresses():
        if endpoint.startswith("web.openid."):
            continue  # there is no provider here
        answer = world.owner.get(path)
        assert answer.status_code < 400, path
        if answer.mimetype != "text/html":
            continue
        html = answer.get_data(as_text=True)
        page = Page(html)
        assert [tag for tag, _at in page.tags if MARK in tag] == [], path
        assert [what for what in page.inline() if what != "style"] == [], path
        assert [at for _tag, at in page.tags if any(MARK in name for name in at)] == [], path
        assert "62615533" not in html, path
        shown += MARK in html
    assert shown > 12  # else it would show nothing at all


@ONE_ENGINE
def test_nothing_of_it_runs_in_a_browser(app: WeakspotApp, browse: Callable[..., Browsing]) -> None:
    world = World(app, said=SAID[1])
    window = browse("phone", visitor=world.owner)
    window.page.add_init_script(f"window.{MARK} = () => {{ document.documentElement.dataset.ran = '1' }}")
    visit = f"/inspections/{world.values['inspection_id'][0]}"
    machine = f"/machines/{world.values['machine_id'][0]}"
    for path in (
        f"/look-first?{world.look}",
        "/inspections",
        visit,
        "/machines",
        machine,
        "/shop/people",
        "/shop/tokens",
    ):
        window.go(path)
        assert window.page.evaluate("document.documentElement.dataset.ran") is None
        window.assert_sound()
