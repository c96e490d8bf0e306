"""GET /api/v1/work-orders/{id}: recommissioning in its order, for the machine at hand."""

from __future__ import annotations

from typing import Any

import pytest

from service.app import WeakspotApp
from service.setup import load_layouts
from tests.service.callers import Caller

PATH = "/api/v1/work-orders/recommissioning"
FALENA = {"make": "Velloria", "model": "Falena 990", "model_year": "2011", "odometer_km": "35000"}


@pytest.fixture(scope="module")
def yard(asker: Caller, shared_app: WeakspotApp) -> Caller:
    """A shop that knows how the demo's models are built."""
    load_layouts(shared_app.database)
    return asker


def order(caller: Caller, **asked: Any) -> dict[str, Any]:
    response = caller.get(PATH, query_string=asked)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.get_json()
    return found


def layout_of(caller: Caller, app: WeakspotApp, kind: str) -> dict[str, str]:
    """Some model of the demo that is fuelled so, in its first year."""
    from service.catalogue import current_layouts

    with app.database.read() as session:
        for layout in current_layouts(session).values():
            for span in layout.fuelling:
                if span.kind == kind:
                    return {"make": layout.make, "model": layout.model, "model_year": str(span.from_year)}
    raise AssertionError(f"no model of the demo has {kind}")


def test_q6_stood_14_months(yard: Caller) -> None:
    """Question Q6 of the trade brief: the order, cautions, parts to order and not to order yet."""
    made = order(yard, **FALENA, months_stood="14")
    assert [step["order"] for step in made["steps"]] == list(range(1, 15))
    assert made["first"] == "Do not turn it on the starter first."
    starter = next(entry for entry in made["not_before"] if "starter" in entry["what"])
    assert starter["until_step"] == 3 and starter["why"]
    # Fuel before the battery, the battery before the key, brakes before it moves.
    titles = [step["title"] for step in made["steps"]]
    assert "fuel" in titles[0] and "by hand" in titles[2] and "Battery" in titles[3] and "before it moves" in titles[12]
    assert "fresh fuel, and a lidded earthed can for the old" in made["order_now"]
    not_yet = {entry["component"]: entry for entry in made["order_not_yet"]}
    assert {"fuel_pump", "injector", "battery"} <= set(not_yet)
    assert [check["check"] for check in not_yet["fuel_pump"]["until"]] == ["T12", "T13"]
    likely = {entry["component"] for entry in made["likely_bad"]}
    assert {"battery", "injector"} <= likely
    text = str(made).lower()
    assert "roadworthy" not in text


def test_standing_longer_is_no_better(yard: Caller) -> None:
    chances = []
    for months in ("0", "2", "6", "14", "30"):
        made = order(yard, **FALENA, months_stood=months)
        chances.append({e["component"]: e["chance_bad_now"] for e in made["order_not_yet"]})
    for slug in ("battery", "injector", "fuel_pump"):
        rising = [chance[slug] for chance in chances]
        assert rising == sorted(rising) and rising[0] < rising[-1], slug


def test_injector_sticks_as_planted(yard: Caller) -> None:
    """Planted truth P20 of the brief: 14 months leave each injector stuck with 1 - exp(-(14/20)^1.5) = 0.44."""
    made = order(yard, **FALENA, months_stood="14")
    (chance,) = (e["chance_bad_now"] for e in made["order_not_yet"] if e["component"] == "injector")
    assert chance >= 0.44


def test_adapts_to_the_fuelling(yard: Caller, shared_app: WeakspotApp) -> None:
    for kind, other in (("injection", "carburettor"), ("carburettor", "injection")):
        made = order(yard, **layout_of(yard, shared_app, kind))
        assert made["fuelling"] == kind
        seventh = [step for step in made["steps"] if step["order"] == 7]
        assert len(seventh) == 1 and seventh[0]["only_for"] is None
        checks = {check["check"] for step in made["steps"] for check in step["checks"]}
        assert ("T15" in checks) == (kind == "injection")
        named = {entry["component"] for entry in made["order_not_yet"]}
        assert ("carburettor" in named) == (kind == "carburettor"), other


def test_without_a_machine_both_kinds_stand_there(yard: Caller) -> None:
    made = order(yard)
    assert [s["only_for"] for s in made["steps"] if s["order"] == 7] == ["injection", "carburettor"]
    assert made["likely_bad"] == [] and made["fuelling"] is None
    listed = yard.get("/api/v1/work-orders").get_json()["work_orders"]
    assert listed == [{"id": "recommissioning", "title": made["title"]}]


def test_cautions_come_first_fuel_before_all(yard: Caller) -> None:
    made = order(yard, **FALENA)
    keys = list(made)
    assert keys.index("cautions") < keys.index("steps")
    assert [c["id"] for c in made["cautions"]][:5] == ["C1", "C5", "C6", "C9", "C10"]
    for step in made["steps"]:
        assert list(step).index("cautions") < list(step).index("checks")
        assert step["cautions"]
        for check in step["checks"]:
            assert list(check).index("cautions") < list(check).index("steps")
            assert {c["id"] for c in check["cautions"]} <= {c["id"] for c in step["cautions"]}


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ({"make": "Velloria"}, 422),
        ({"make": "Velloria", "model": "Falena 990"}, 422),
        ({"months_stood": "-1"}, 422),
        ({"colour": "blue"}, 422),
    ],
)
def test_refused(yard: Caller, asked: dict[str, str], status: int) -> None:
    assert yard.get(PATH, query_string=asked).status_code == status
    assert yard.get("/api/v1/work-orders/polishing").status_code == 404
