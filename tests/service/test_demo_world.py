"""The demo world that stories are told of: whole, and as its planted truths say."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.models import Doubt, Machine, StaleComponent

pytestmark = pytest.mark.slow


def test_everything_is_taken_in_and_fitted(demo_app: WeakspotApp) -> None:
    """4,460 machines of the brief's table 7.3; some are known to two shops. No part on a model that has none."""
    with demo_app.database.read() as session:
        assert (session.scalar(select(func.count(Machine.id))) or 0) >= 4_460
        assert session.scalars(select(StaleComponent.component_slug)).all() == []
        kinds = dict(session.execute(select(Doubt.kind, func.count()).group_by(Doubt.kind)).all())
    assert "not_on_model" not in kinds and kinds
