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
        ("renewals/cvt_belt", {**BELTS, "age": 10}, "age"),
        ("renewals/cvt_belt", {**BELTS, "model": "Pipit 125", "both_clocks": True}, "uses"),
        ("fleet/outlook", {**DAY, "interval": "cvt_belt=15000"}, "interval"),
        ("fleet/outlook", {**DAY, "interval": "no_such_part=15000km"}, "interval"),
        ("fleet/intervals/cvt_belt", DAY, "choice"),
        ("changes", {"months": 5}, "months"),
        ("comparisons/cvt_belt", {"suspected": "Dray 300"}, "suspected"),
    ],
)
def test_refusals_name_the_field(caller: Caller, path: str, query: dict, field: str) -> None:
    reply = caller.get(f"/api/v1/{path}", query_string=query)
    assert reply.status_code == 422 and field in reply.get_data(as_text=True)


def test_a_token_is_needed(database: Database) -> None:
    for path in ("fleet/outlook", "spares/cvt_belt", "renewals/cvt_belt", "comparisons/cvt_belt"):
        assert make_app(database).test_client().get(f"/api/v1/{path}").status_code == 401


def test_outlook_prices_months_ahead_and_planned_renewals(caller: Caller) -> None:
    asked = {**DAY, "months": 12, "failure_downtime_days": 3, "downtime_per_day": 40}
    free = caller.get("/api/v1/fleet/outlook", query_string=asked).get_json()
    money = free["money"]
    assert money["cost"]["low"] < money["cost"]["expected"] < money["cost"]["high"] and money["currency"] == "EUR"
    assert sum(money["cost_by_month"]) == pytest.approx(money["cost"]["expected"], rel=0.03)
    assert money["downtime_days"]["expected"] == pytest.approx(3 * free["expected"], rel=0.03)
    assert money["off_the_road"] == pytest.approx(money["downtime_days"]["expected"] / 365.25)
    renewed = caller.get("/api/v1/fleet/outlook", query_string={**asked, "interval": "cvt_belt=8000km"}).get_json()
    belts = [next(c for c in found["components"] if c["component"] == "cvt_belt") for found in (free, renewed)]
    assert belts[1]["expected"] < belts[0]["expected"] and belts[1]["planned_renewals"] >= 4
    assert free["planned_renewals"] == 0 < renewed["planned_renewals"]


def test_an_interval_short_of_a_month_is_paid_as_often_as_it_comes(caller: Caller) -> None:
    query = {**DAY, "months": 12, "choice": ["7days", "20days", "45days", "365days"]}
    found = caller.get("/api/v1/fleet/intervals/cvt_belt", query_string=query).get_json()
    short = found["choices"][:3]
    parts = [row["planned_renewals"] * row["interval_days"] / 365.25 for row in short]
    assert parts == pytest.approx([round(parts[0])] * 3, rel=0.1) and parts[0] > 0.9
    failures = [row["failures"] for row in found["choices"]]
    assert failures == sorted(failures)


def test_what_changes_if_an_interval_changes(caller: Caller) -> None:
    query = {**DAY, "months": 12, "choice": ["8000km", "16000km/730days", "8000km"], "failure_downtime_days": 2}
    found = caller.get("/api/v1/fleet/intervals/cvt_belt", query_string=query).get_json()
    rows = {row["choice"]: row for row in found["choices"]}
    assert list(rows) == ["8000km", "16000km/730days", "never"]
    assert rows["8000km"]["failures"] < rows["never"]["failures"] and rows["never"]["planned_renewals"] == 0
    assert (rows["16000km/730days"]["interval_km"], rows["16000km/730days"]["interval_days"]) == (16_000, 730)
    for row in rows.values():
        cost = row["failures"] * found["cost_failure"] + row["planned_renewals"] * found["cost_planned"]
        assert row["cost"] == pytest.approx(cost, rel=1e-3)
        assert row["against_never"] == pytest.approx(row["cost"] - rows["never"]["cost"], abs=0.02)
        assert row["downtime_days"] == pytest.approx(2 * row["failures"])
    assert found["cheapest"] == min(rows.values(), key=lambda r: r["cost"])["choice"]
    assert caller.get("/api/v1/fleet/intervals/no_such_part", query_string=query).status_code == 404


def test_one_rule_on_two_clocks(caller: Caller) -> None:
    query = {**BELTS, "both_clocks": True, "uses": [4_000, 12_000, 30_000]}
    both = caller.get("/api/v1/renewals/cvt_belt", query_string=query).get_json()["both_clocks"]
    assert both["machines"] == 3 and both["km_per_year"] == [4_000, 30_000]
    rules = [both[name] for name in ("both", "km_alone", "days_alone", "run_to_failure")]
    assert min(r["excess"] for r in rules) == 0 and both["run_to_failure"]["excess"] > both["both"]["excess"]
    assert both["km_alone"]["days"] is None and both["days_alone"]["km"] is None
    own = caller.get("/api/v1/renewals/cvt_belt", query_string={**BELTS, "both_clocks": True}).get_json()
    assert own["both_clocks"]["machines"] == 4  # the shop's own in use


def test_renewing_while_apart_has_a_worth_at_an_age(caller: Caller) -> None:
    query = {**BELTS, "while_apart": 50, "age": 14_000}
    found = caller.get("/api/v1/renewals/cvt_belt", query_string=query).get_json()
    worth = found["while_apart_worth"]
    assert worth["low"] <= worth["value"] <= worth["high"]
    young = caller.get("/api/v1/renewals/cvt_belt", query_string={**query, "age": 500}).get_json()
    assert young["while_apart_worth"]["value"] < 0 < worth["value"]  # a part just fitted is left in


def test_a_block_behind_one_cover(caller: Caller) -> None:
    parts = [{"component": "cvt_belt", "together": 60, "failure": 350}, {"component": "clutch_plates", "together": 40,
             "failure": 200}]  # fmt: skip
    asked = {"make": "Hexley", "model": "Dray 300", "km_per_year": 20_000, "access_cost": 120, "parts": parts}
    found = caller.post("/api/v1/renewal-blocks", json=asked).get_json()
    assert found["interval"] > 1000 and found["cost_rate"] < found["one_by_one"] and 0 < found["saving"] < 1
    assert [p["component"] for p in found["parts"]] == ["cvt_belt", "clutch_plates"]
    cheap = caller.post("/api/v1/renewal-blocks", json={**asked, "access_cost": 0}).get_json()
    assert cheap["interval"] is None and "each part at its own age" in cheap["reason"]  # nothing is shared
    wrong = {**asked, "parts": [{**parts[0], "component": "no_such_part"}]}
    reply = caller.post("/api/v1/renewal-blocks", json=wrong)
    assert reply.status_code == 422 and "/parts/0/component" in reply.get_data(as_text=True)


def test_groups_changes_and_log_marks_without_records_to_speak_of(caller: Caller) -> None:
    groups = caller.get("/api/v1/comparisons/cvt_belt/groups").get_json()
    assert groups["policy"] is None and any("own records" in note for note in groups["notes"])
    assert {g["finding"] for g in groups["by_use"]} <= {"not enough data"}
    changes = caller.get("/api/v1/changes", query_string={"component": "cvt_belt", "months": 6}).get_json()
    assert changes["alerts"] == [] and changes["false_alarm_rate"] == 0.05 and changes["records"] == "this shop's own"
    assert {look["finding"] for look in changes["looks"]} <= {"not enough data"}
    assert caller.get("/api/v1/changes", query_string={"component": "no_such_part"}).status_code == 404
    assert caller.get("/api/v1/comparisons/no_such_part/groups").status_code == 404
    assert caller.get("/api/v1/log-marks").get_json()["estimate"]["version"] == "catalogue prior"
