"""A release that an earlier version of the life model made says so, and raises no alerts against the prior."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update

from service.app import WeakspotApp
from service.fitting import refit
from service.inspections import kept_fits, serving
from service.models import Estimate
from tests.service.callers import Caller, make_caller
from tests.service.job_files import NOW
from tests.service.story_world import make_story, story_caller

API = "/api/v1"
NEEDS_A_FIT = "earlier version of the life model"


@pytest.fixture
def upgraded(tmp_path: Path) -> WeakspotApp:
    """The service as a newer program finds it: its estimates were made by another version of the life model."""
    small = {"scale": 0.2, "models": ("Lanner 650",), "components": ("regulator_rectifier", "battery")}
    app: Any = story_caller(make_story(tmp_path, **small)).http.application
    with app.database.write() as session:
        session.execute(update(Estimate).values(code_version="life-model-0-made-before"))
    serving.forget()
    kept_fits.forget()
    return app  # type: ignore[no-any-return]


def get(caller: Caller, path: str, **query: Any) -> Any:
    reply = caller.get(API + path, query_string=query)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    return reply.get_json()


def test_no_alert_until_it_is_fitted_again(upgraded: WeakspotApp) -> None:
    shop = make_caller(upgraded, "cog-and-gasket")
    before = get(shop, "/changes", component="regulator_rectifier")
    assert {alert["component"] for alert in before["alerts"]} <= {"instrument_cluster"}  # clocks changed need no fit
    assert before["looks"] == [] and any(NEEDS_A_FIT in note for note in before["notes"])
    renewal = {"make": "Tindrake", "model": "Lanner 650", "planned": 100, "failure": 400}
    for path, query in (
        ("/fleet/outlook", {}),
        ("/renewals/regulator_rectifier", renewal),
        ("/comparisons/regulator_rectifier", {}),
        ("/comparisons/regulator_rectifier/groups", {}),
    ):
        assert any(NEEDS_A_FIT in note for note in get(shop, path, **query)["notes"]), path
    machine = {
        "make": "Tindrake",
        "model": "Lanner 650",
        "built": "2012-11",
        "odometer": {"value": 38_000, "unit": "km"},
    }
    ask = {"machine": machine, "horizon": {"distance": {"value": 5_000, "unit": "km"}}}
    assert any(NEEDS_A_FIT in note for note in shop.post(f"{API}/rankings", json=ask).get_json()["notes"])

    ahead = get(shop, "/fleet/outlook")
    refit(upgraded.database, pool_open=True, now=NOW)
    after = get(shop, "/changes", component="regulator_rectifier")
    assert after["looks"] and after["looks_made"] > before["looks_made"] and after["notes"] == []
    # no line changed, but the estimates did: what was kept of the fleet is worked out anew
    now = get(shop, "/fleet/outlook")
    assert now["estimate"] != ahead["estimate"] and now["expected"] != pytest.approx(ahead["expected"], rel=0.01)
    assert not any(NEEDS_A_FIT in note for note in now["notes"])
    assert not any(NEEDS_A_FIT in note for note in shop.post(f"{API}/rankings", json=ask).get_json()["notes"])
