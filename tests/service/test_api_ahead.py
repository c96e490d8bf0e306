"""GET /fleet/outlook, /spares, /renewals and /comparisons: answers, refusals, and whose machines they are."""

from __future__ import annotations

import pytest

from service.db import Database
from tests.service.callers import Caller, make_app, make_caller
from tests.service.job_files import SHOP
from tests.service.test_outlooks import STRANGER, fill

DAY = {"as_of": "2026-01-05"}
BELTS = {"make": "Hexley", "model": "Dray 300", "km_per_year": 20_000, "planned": 100, "failure": 400}


@pytest.fixture
def caller(database: Database) -> Caller:
    fill(database)
    return make_caller(make_app(database), SHOP)


def test_outlook_is_of_ones_own_machines(caller: Caller, database: Database) -> None:
    reply = caller.get("/api/v1/fleet/outlook", query_string={**DAY, "months": 6})
    assert reply.status_code == 200
    found = reply.get_json()
    assert found["machines"] == 4 and len(found["by_month"]) == 6
    assert {m["machine"] for m in found["by_machine"]} == {"M1", "M2", "M3", "M4"}
    other = make_caller(make_app(database), STRANGER).get("/api/v1/fleet/outlook", query_string=DAY)
    assert {m["machine"] for m in other.get_json()["by_machine"]} == {"M9"}
    nobody = make_caller(make_app(database), "Upper Tarn School Workshop").get("/api/v1/fleet/outlook")
    assert nobody.status_code == 409


def test_spares_and_their_planned_renewals(caller: Caller) -> None:
    free = caller.get("/api/v1/spares/cvt_belt", query_string=DAY).get_json()
    due = caller.get("/api/v1/spares/cvt_belt", query_string={**DAY, "interval_km": 15_000}).get_json()
    assert due["stock"] >= 4 > free["expected"] and due["covers"] >= 0.95
    assert caller.get("/api/v1/spares/no_such_part", query_string=DAY).status_code == 404


def test_renewal_interval_with_alternatives_and_warning(caller: Caller) -> None:
    reply = caller.get("/api/v1/renewals/cvt_belt", query_string={**BELTS, "alternatives": [10_000, 18_000]})
    found = reply.get_json()
    assert reply.status_code == 200 and found["interval"] > 0 and found["reason"] == ""
    low, high = found["flat"]
    assert low < found["interval"] < high
    assert [a["interval"] for a in found["alternatives"]] == [10_000, 18_000, None]
    assert "far end of the curve is prior" in " ".join(found["warnings"])
    apart = caller.get("/api/v1/renewals/cvt_belt", query_string={**BELTS, "while_apart": 50}).get_json()
    assert 0 < apart["while_apart_from"] < found["interval"]


def test_control_unit_is_run_to_failure(caller: Caller) -> None:
    found = caller.get("/api/v1/renewals/engine_control_unit", query_string=BELTS).get_json()
    assert found["interval"] is None and "no interval" in found["reason"]


def test_comparisons_without_records(caller: Caller) -> None:
    found = caller.get("/api/v1/comparisons/cvt_belt").get_json()
    assert found["models"] == [] and found["within"][-1]["finding"] == "not enough data"
    assert caller.get("/api/v1/comparisons/no_such_part").status_code == 404


@pytest.mark.parametrize(
    ("path", "query", "field"),
    [
        ("fleet/outlook", {"months": 99}, "months"),
        ("fleet/outlook", {"as_of": "2019-01-01"}, "as_of"),
        ("spares/cvt_belt", {"cover": 1.5}, "cover"),
        ("renewals/cvt_belt", {"make": "Hexley", "model": "Dray 300", "failure": 3}, "planned"),
        ("renewals/cvt_belt", {**BELTS, "while_apart": 101}, "while_apart"),
    ],
)
def test_refusals_name_the_field(caller: Caller, path: str, query: dict, field: str) -> None:
    reply = caller.get(f"/api/v1/{path}", query_string=query)
    assert reply.status_code == 422 and field in reply.get_data(as_text=True)


def test_a_token_is_needed(database: Database) -> None:
    for path in ("fleet/outlook", "spares/cvt_belt", "renewals/cvt_belt", "comparisons/cvt_belt"):
        assert make_app(database).test_client().get(f"/api/v1/{path}").status_code == 401
