"""One full world for all tests of the demo world; building it takes a few seconds."""

from __future__ import annotations

import pytest

from seed.world import World, build_world


@pytest.fixture(scope="session")
def world() -> World:
    return build_world(1)
