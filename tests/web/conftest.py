"""Visitors of every role, and a real browser over a running server."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from service.app import WeakspotApp
from service.people import passwords
from tests.service.conftest import app, database, databases, empty_database, shared_app, shared_database, standing_clock
from tests.web.browsers import Browsing, chromium_or_skip, serving
from tests.web.people import QUICK, Visitor, make_visitor

__all__ = ["app", "database", "databases", "empty_database", "shared_app", "shared_database", "standing_clock"]


@pytest.fixture(autouse=True)
def quick_passwords(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords that cost a test nothing; the real cost has a test of its own."""
    monkeypatch.setattr(passwords, "HASHER", QUICK)


@pytest.fixture
def visit(app: WeakspotApp) -> Callable[..., Visitor]:
    """Make somebody who is signed in: ``visit("technician")``; each role has its own login name."""

    def make(role: str, shop: str = "The Cog & Gasket", login: str = "") -> Visitor:
        return make_visitor(app, shop, login or f"{role}@{shop.split()[-1].lower()}.example", role)

    return make


@pytest.fixture
def owner(visit: Callable[..., Visitor]) -> Visitor:
    return visit("owner")


@pytest.fixture
def technician(visit: Callable[..., Visitor]) -> Visitor:
    return visit("technician")


@pytest.fixture
def reader(visit: Callable[..., Visitor]) -> Visitor:
    return visit("reader")


@pytest.fixture
def stranger(app: WeakspotApp) -> Visitor:
    """Nobody: not signed in."""
    return Visitor(app.test_client())


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    yield from chromium_or_skip()


@pytest.fixture
def site(app: WeakspotApp) -> Iterator[str]:
    """The address of a server over the test's own database."""
    yield from serving(app)


@pytest.fixture(params=["phone", "desktop"])
def device(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=[True, False], ids=["script", "no script"])
def scripts(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


@pytest.fixture
def browse(chromium: Any, site: str) -> Iterator[Callable[..., Browsing]]:
    """Open a browser window: ``browse("phone", scripts=False, visitor=owner)``."""
    opened: list[Browsing] = []

    def make(
        device: str = "desktop", *, scripts: bool = True, visitor: Visitor | None = None, dark: bool = False
    ) -> Browsing:
        window = Browsing.open(chromium, site, device, scripts=scripts, visitor=visitor, dark=dark)
        opened.append(window)
        return window

    yield make
    for window in opened:
        window.close()
