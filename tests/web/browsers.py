"""A real Chromium over a real server: at the widths of a phone and a desk, with scripts and without."""

from __future__ import annotations

import contextlib
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server
from werkzeug.wsgi import ClosingIterator

from service.app import WeakspotApp
from tests.web.people import Visitor

# For what a browser alone can tell: it gets the same page from either engine, which tests without one hold on both.
ONE_ENGINE = pytest.mark.parametrize("databases", ["sqlite"], indirect=True)
SIZES = {"phone": (390, 844), "desktop": (1280, 800)}
BINARIES = ("chromium", "chromium-browser", "google-chrome")
INSTALL = "no Chromium here: apt-get install chromium"
SERIOUS = ("serious", "critical")
# Words in cells of tables that stand on more than one line.
BROKEN_WORDS = r"""() => {
  const found = [];
  for (const cell of document.querySelectorAll(".wide th, .wide td")) {
    const texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
    for (let node = texts.nextNode(); node; node = texts.nextNode()) {
      for (const run of node.data.matchAll(/\S+/gu)) {
        if (run[0].length > 30) continue;  // too long for any column of a phone
        for (const word of run[0].matchAll(/\p{L}{4,}/gu)) {
          const range = document.createRange();
          range.setStart(node, run.index + word.index);
          range.setEnd(node, run.index + word.index + word[0].length);
          if (new Set([...range.getClientRects()].map((line) => Math.round(line.top))).size > 1) found.push(word[0]);
        }
      }
    }
  }
  return found;
}"""
# Cells of tables whose words run over into the next one.
RUN_OVER = """() => [...document.querySelectorAll(".wide th, .wide td")]
  .filter((cell) => cell.scrollWidth > cell.clientWidth + 1).map((cell) => cell.innerText)"""


class Silent(WSGIRequestHandler):
    """A handler that writes no line for each request."""

    def log(self, *_: Any) -> None:
        pass


def chromium_or_skip() -> Iterator[Any]:
    """The system's Chromium; the test is skipped with the install line where there is none."""
    path = next((found for name in BINARIES if (found := shutil.which(name))), None)
    if path is None:
        pytest.skip(INSTALL)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        # Without the sandbox, which root may not use, and without a graphics card's work done by the processor.
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


class Door:
    """An application for as long as a test lasts: afterwards it may be lent to another, and nothing reaches it."""

    def __init__(self, app: WeakspotApp) -> None:
        self._app = app
        self._inside = 0
        self._shut = False
        self._changed = threading.Condition()

    def __call__(self, environ: Any, start_response: Any) -> Iterator[bytes]:
        with self._changed:
            if self._shut:
                start_response("503 Service Unavailable", [])
                return
            self._inside += 1
        try:
            with contextlib.closing(ClosingIterator(self._app(environ, start_response))) as answer:
                yield from answer
        finally:
            with self._changed:
                self._inside -= 1
                self._changed.notify_all()

    def shut(self) -> None:
        """Let nobody in any more and wait for those inside."""
        with self._changed:
            self._shut = True
            assert self._changed.wait_for(lambda: self._inside == 0, timeout=60), "a request is never answered"


def serving(app: WeakspotApp) -> Iterator[str]:
    """Serve an application on a free port of this machine."""
    door = Door(app)
    server = make_server("127.0.0.1", 0, door, threaded=True, request_handler=Silent)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()
    door.shut()


@dataclass
class Browsing:
    """One window. `page` is Playwright's; what went wrong in it is kept in `complaints`."""

    page: Any
    context: Any
    site: str
    scripts: bool
    complaints: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    weighed: list[Any] = field(default_factory=list)

    @classmethod
    def open(
        cls, chromium: Any, site: str, device: str, *, scripts: bool, visitor: Visitor | None, dark: bool
    ) -> Browsing:
        """A fresh window, signed in as a visitor if there is one."""
        width, height = SIZES[device]
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            java_script_enabled=scripts,
            has_touch=device == "phone",
            color_scheme="dark" if dark else "light",
            locale="en-GB",
        )
        if visitor is not None:
            cookie = visitor.http.get_cookie("weakspot_session")
            assert cookie is not None
            context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": site}])
        window = cls(context.new_page(), context, site, scripts)
        window.page.set_default_timeout(30_000)  # a busy machine is slow; nothing is timed here
        # The browser says so when the content security policy stops something, or a script fails.
        window.page.on(
            "console", lambda said: said.type == "error" and window.complaints.append(f"{said.text} {said.location}")
        )
        window.page.on("pageerror", lambda error: window.complaints.append(str(error)))
        window.page.on("request", lambda request: window.asked.append(request.url))
        window.page.on("response", lambda response: window.weighed.append(response))
        return window

    def keep_nothing(self) -> None:
        """Load all of every page anew, as on the first view of the site."""
        session = self.context.new_cdp_session(self.page)
        session.send("Network.enable")
        session.send("Network.setCacheDisabled", {"cacheDisabled": True})

    def forget(self) -> None:
        """Begin anew with what is said of the next page."""
        self.complaints.clear()
        self.asked.clear()
        self.weighed.clear()

    def go(self, path: str) -> Any:
        """Open a path of the site; gives back the response."""
        return self.page.goto(self.site + path)

    def path(self) -> str:
        """Where the window is."""
        return urlsplit(self.page.url).path

    def assert_sound(self) -> None:
        """Nothing blocked or failed, nothing from elsewhere, nothing wider than the window, no axe violation."""
        assert self.complaints == []
        assert [url for url in self.asked if not url.startswith((self.site, "data:"))] == []
        if self.scripts:
            overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert self.page.evaluate(overflow) <= 0, "wider than the window"
            assert self.page.evaluate(BROKEN_WORDS) == [], "words of a table broken inside"
            assert self.page.evaluate(RUN_OVER) == [], "words of a table over those of the next column"
            assert self.violations() == []

    def violations(self, *rules: str) -> list[str]:
        """Serious and critical violations of the rules that axe checks (axe-core, WCAG 2 A and AA), or of some."""
        from axe_playwright_python.base import AXE_SCRIPT

        if not self.page.evaluate("'axe' in window"):
            self.page.evaluate(AXE_SCRIPT)
        # Of what is in order axe would describe every element, which takes it longer than to look.
        options = {"resultTypes": ["violations"]} | ({"runOnly": list(rules)} if rules else {})
        found = self.page.evaluate("(options) => axe.run(options).then((found) => found.violations)", options)
        return [
            f"{rule['id']}: {node['html'][:160]}"
            for rule in found
            if rule["impact"] in SERIOUS
            for node in rule["nodes"]
        ]

    def weight(self) -> int:
        """Bytes of all answers so far, pictures left out."""
        return sum(
            len(answer.body())
            for answer in self.weighed
            if answer.status == 200 and answer.request.resource_type != "image"
        )

    def close(self) -> None:
        self.context.close()
