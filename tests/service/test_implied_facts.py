"""What a machine's own lines imply: story D of the trade brief told as history, without anybody naming the fact."""

from __future__ import annotations

import io
from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, after, ask, before, entry, moved_odds, start
from tests.service.job_files import csv_file, row, seen

REGULATOR = "regulator_rectifier"
TOURING = {**LANNER, "model": "Lanner 650 T"}
RATIOS = {"stator": 3, "earth_point": 3}


def renewals(*kilometres: int) -> list[dict[str, Any]]:
    return [{"component": REGULATOR, "action": "renewed", "odometer": {"value": km, "unit": "km"}} for km in kilometres]


def test_three_renewals_warn_against_a_fourth(asker: Caller) -> None:
    history = renewals(18_000, 27_000, 36_000)
    ranking = ask(asker, TOURING, history=history)
    for component, ratio in RATIOS.items():
        part = entry(ranking, component)
        assert after(part) == pytest.approx(moved_odds(before(part), ratio), rel=1e-9)
        assert [move["evidence"] for move in part["moved_by"]] == ["H02"]
    assert any("Three renewals of the regulator" in note and "a fourth" in note for note in ranking["notes"])
    body = {"machine": TOURING, "as_of": "2026-06-01", "history": history, "permission": "seat_off", "minutes": 60}
    plan = asker.post("/api/v1/plans", json=body).get_json()
    plain = asker.post("/api/v1/plans", json=body | {"history": renewals(36_000)[:0]}).get_json()
    assert any("a fourth" in note for note in plan["notes"])
    worths = [{line["check"]: line["worth"] for line in p["lines"] + p["left_out"]} for p in (plan, plain)]
    assert worths[0]["T05"] > worths[1]["T05"]  # the stator's insulation to earth


def test_an_inspection_keeps_it(gasket: Caller) -> None:
    made = start(gasket, TOURING, history=renewals(18_000, 27_000, 36_000))
    assert [(fact["id"], fact["implied"]) for fact in made["facts"]] == [("H02", True)]
    assert any("a fourth" in text for text in made["to_read"])
    stator = entry(made, "stator")
    assert after(stator) == pytest.approx(moved_odds(before(stator), 3), rel=1e-9)


def test_told_and_implied_counts_once(asker: Caller) -> None:
    history = renewals(18_000, 27_000, 36_000)
    assert ask(asker, history=history, facts=[{"id": "H02"}])["ranking"] == ask(asker, history=history)["ranking"]


@pytest.mark.parametrize(("at", "implied"), [((35_000,), "H01"), ((20_000,), None), ((20_000, 30_000), "H02")])
def test_one_renewal_lately_or_two(asker: Caller, at: tuple[int, ...], implied: str | None) -> None:
    stator = entry(ask(asker, history=renewals(*at)), "stator")
    assert [move["evidence"] for move in stator.get("moved_by", [])] == ([implied] if implied else [])


@pytest.mark.parametrize(("reason", "implied"), [("failed", "H02"), ("scheduled", None)])
def test_on_record(gasket: Caller, reason: str, implied: str | None) -> None:
    lines = [
        row(card=f"10{k}", date=f"2023-0{k}-01", odometer=str(20_000 + 1_000 * k), action="renewed", reason=reason)
        for k in (2, 5, 8)
    ]
    file = csv_file([*lines, seen("1099", "2024-03-12", "36000")])
    gasket.post("/api/v1/imports", data={"file": (io.BytesIO(file), "cards.csv")})
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    ranking = gasket.get(f"/api/v1/machines/{machine['id']}/ranking").get_json()
    stator = entry(ranking, "stator")
    assert [move["evidence"] for move in stator.get("moved_by", [])] == ([implied] if implied else [])
