"""The small seeded world behind an application, one for the session: for tests of pages that read it."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest

from service.app import WeakspotApp
from tests.service.story_world import story_copy
from tests.web.people import Visitor, make_visitor


@pytest.fixture(scope="session")
def story_app(story_file: Path, tmp_path_factory: pytest.TempPathFactory) -> WeakspotApp:
    """A world of 200 Falenas and 450 Lanners, its pool open and fitted."""
    app = story_copy(story_file, tmp_path_factory.mktemp("story")).http.application
    assert isinstance(app, WeakspotApp)
    return app


SHOP, OTHER_SHOP = "cog-and-gasket", "sallow-lane-arches"


def newcomer(app: WeakspotApp, role: str = "technician", shop: str = SHOP) -> Visitor:
    """Somebody new with a role."""
    return make_visitor(app, shop, f"{uuid.uuid4().hex[:8]}@gasket.example", role)
