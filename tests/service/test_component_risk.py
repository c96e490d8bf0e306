"""GET /components/{slug}/risk: the served curve, the shop's own records with numbers at risk, nothing of others."""

from __future__ import annotations

import io
from datetime import date
from itertools import pairwise
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.app import WeakspotApp
from service.fitting import refit
from service.models import PoolCell, PoolPublication
from tests.service.callers import Caller, make_caller
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row

PATH = "/api/v1/components/regulator_rectifier/risk"
LANNER = {"make": "Tindrake", "model": "Lanner 650"}


def life(machine: str, fitted: int, end: int, *, failed: bool) -> list[dict[str, str]]:
    """A regulator fitted at one reading and failed, or seen good, at another."""
    shared = {"machine": machine, "model_year": "2012"}
    last = {"reason": "failed"} if failed else {"action": "checked_good", "reason": ""}
    later = row(card=f"{machine}-3", date="2024-03-01", odometer=str(end + 100), component="", action="seen", reason="")
    return [
        row(card=f"{machine}-1", date="2014-03-01", odometer=str(fitted), **{**shared, "reason": "scheduled"}),
        row(card=f"{machine}-2", date="2022-03-01", odometer=str(end), **shared, **last),
        {**later, **shared},
    ]


def import_rows(caller: Caller, rows: list[dict[str, str]]) -> None:
    data = {"file": (io.BytesIO(csv_file(rows)), "cards.csv")}
    assert caller.post("/api/v1/imports", data=data).status_code == 201


def risk(caller: Caller, **query: Any) -> dict[str, Any]:
    response = caller.get(PATH, query_string={**LANNER, **query})
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.get_json()
    return found


def at(curve: list[dict[str, Any]], age: float) -> dict[str, Any]:
    (point,) = (point for point in curve if point["age"] == age)
    return point


def test_own_curve_by_hand(gasket: Caller) -> None:
    """Three lives: failed at 12,000 km, good at 30,000 km, failed at 22,000 km (Kaplan and Meier, 1958, by hand)."""
    rows = [*life("A", 1_000, 13_000, failed=True), *life("B", 1_000, 31_000, failed=False)]
    import_rows(gasket, [*rows, *life("C", 1_000, 23_000, failed=True)])
    own = risk(gasket)["own"]
    assert own["failures"] == 2 and own["machines"] == 3
    points = [at(own["curve"], age) for age in (10_000, 12_500, 22_500)]
    assert [point["value"] for point in points] == pytest.approx([1, 2 / 3, 1 / 3])
    assert [point["at_risk"] for point in points] == pytest.approx([3, 2, 1])
    (band,) = (band for band in own["hazards"] if band["from"] == 10_000)
    assert band["failures"] == 1
    # 2,500 km of B and C each and 2,000 of A
    assert band["exposure"] == pytest.approx(7_000)
    assert band["value"] == pytest.approx(1 / 7)
    # One event: Garwood's 90 % bounds are 0.0513 and 4.744 (table in Garwood, 1936; from memory).
    assert (band["low"] * 7, band["high"] * 7) == pytest.approx((0.0513, 4.744), abs=5e-4)


def test_the_served_curve_falls_inside_its_interval(gasket: Caller, app: WeakspotApp) -> None:
    for clock, last in (("km", 60_000.0), ("days", 20 * 365.25)):
        found = risk(gasket, clock=clock)
        curve = found["estimated"]["curve"]
        assert curve[0]["value"] == pytest.approx(1) and curve[-1]["age"] == last
        assert all(a["value"] >= b["value"] for a, b in pairwise(curve))
        assert all(p["low"] <= p["value"] <= p["high"] for p in curve)
    assert found["own"] is None and found["published"] == []


def test_counts_of_other_shops_stay_with_them(gasket: Caller, app: WeakspotApp) -> None:
    for number in range(6):
        import_rows(make_caller(app, f"Shop {number}"), life(f"M{number}", 1_000, 9_000 + number, failed=True))
    refit(app.database, pool_open=False, now=NOW)
    found = risk(gasket)
    assert found["estimate"]["records"] == "of the pool" and found["own"] is None
    assert set(found["evidence"]) == {"prior_weight", "clock", "known_as", "withheld"}
    for count in ("failures", "machines", "shops", "exposure_km"):
        assert f'"{count}":' not in gasket.get(PATH, query_string=LANNER).text.replace(" ", "")
    own = risk(make_caller(app, "Shop 1"))["own"]
    assert own["machines"] == 1


def publish(session: Session, band: int, standing: str, failures: float) -> None:
    session.add(
        PoolCell(publication_id=1, component_slug="regulator_rectifier", **LANNER, band=band, standing=standing,
                 failures=failures, machines=12, shops=6, exposure_km=90_000.0)
    )  # fmt: skip
    session.flush()


def test_published_cells_as_they_stand_now(gasket: Caller, app: WeakspotApp) -> None:
    with app.database.write() as session:
        session.add(PoolPublication(id=1, dated=date(2026, 1, 1), published_at=NOW, grid="x", summary={}))
        session.flush()
        for band, standing, failures in ((0, "published", 3.0), (1, "published", 4.0), (0, "published", 5.0),
                                         (1, "withdrawn", 0.0), (7, "published", 1.0)):  # fmt: skip
            publish(session, band, standing, failures)
    cells = risk(gasket)["published"]
    assert [(c["from_km"], c["to_km"], c["failures"]) for c in cells] == [(0, 10_000, 5), (120_000, None, 1)]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [({"position": "nowhere"}, "/position"), ({"stratum": 9}, "/stratum"), ({"clock": "hours"}, "/clock"),
     ({"clok": "km"}, "/clok"), ({"level": 1}, "/level")],
)  # fmt: skip
def test_refused(gasket: Caller, query: dict[str, Any], pointer: str) -> None:
    response = gasket.get(PATH, query_string={**LANNER, **query})
    assert response.status_code == 422
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]
    assert gasket.get(PATH.replace("regulator_rectifier", "flux"), query_string=LANNER).status_code == 404
