"""POST /api/v1/rankings: the risks of a machine that need not be on record."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.databases import NOW

# The request of the interface contract, letter for letter.
CONTRACT = """\
{"machine": {"make": "...", "model": "...", "family": null, "model_year": 2012, "built": "2012-11", "first_registered": "2012-12-01",
             "odometer": {"value": 38000, "unit": "km"}},
 "as_of": "2026-06-01",
 "horizon": {"distance": {"value": 5000, "unit": "km"}, "months": 12},
 "history": [{"component": "stator", "position": null, "action": "renewed", "date": "2024-05-01", "odometer": {"value": 30100, "unit": "km"}},
             {"component": "battery", "action": "original"}, {"component": "injector", "action": "renewed"}],
 "symptoms": [], "facts": [], "measurements": []}"""  # noqa: E501
PARSON = {"make": "Marrowby", "model": "Parson 800", "model_year": 2012, "odometer": {"value": 38_000, "unit": "km"}}


def rank(asker: Caller, machine: dict[str, Any] | None = None, **asked: Any) -> dict[str, Any]:
    body = {"machine": {**PARSON, **(machine or {})}, "as_of": "2026-06-01", **asked}
    response = asker.post("/api/v1/rankings", json=body)
    assert response.status_code == 200, response.text
    reply: dict[str, Any] = response.get_json()
    return reply


def part(reply: dict[str, Any], component: str) -> dict[str, Any]:
    found: dict[str, Any] = next(line for line in reply["ranking"] if line["component"] == component)
    return found


def chance(reply: dict[str, Any], component: str) -> float:
    return float(part(reply, component)["chance_in_horizon"]["value"])


def values(reply: dict[str, Any]) -> list[float]:
    return [line["chance_in_horizon"]["value"] for line in reply["ranking"]]


def test_where_nothing_is_on_record_the_chances_are_said_to_be_invented(asker: Caller) -> None:
    (note,) = (note for note in rank(asker)["notes"] if "on record" in note)
    assert note.startswith("No Marrowby Parson 800 is on record, nor any other machine") and "invented" in note


def test_contract_request_and_reply(asker: Caller) -> None:
    response = asker.post("/api/v1/rankings", data=CONTRACT, content_type="application/json")
    assert (response.status_code, response.mimetype) == (200, "application/json")
    reply = response.get_json()
    assert set(reply) >= {"ranking", "estimate"}
    assert set(reply["estimate"]) >= {"version", "data_through"}
    assert [line["rank"] for line in reply["ranking"]] == list(range(1, len(reply["ranking"]) + 1))
    for line in reply["ranking"]:
        assert isinstance(line["component"], str)
        assert line["position"] is None or isinstance(line["position"], str)
        assert isinstance(line["why"], str) and line["why"]
        for name in ("chance_in_horizon", "chance_bad_now"):
            assert {type(value) for value in line[name].values()} == {float}
            assert line[name]["level"] == 0.9
            assert 0 <= line[name]["low"] <= line[name]["value"] <= line[name]["high"] <= 1
        # Parts that give no warning before they fail are never "bad now" on a machine that works.
        assert 0 < line["chance_in_horizon"]["low"] < line["chance_in_horizon"]["value"] < 1
        assert set(line["evidence"]) >= {"failures", "parts", "shops", "prior_weight", "clock"}
        assert line["evidence"]["clock"] in ("km", "age", "both")
    assert values(reply) == sorted(values(reply), reverse=True)


def test_every_component_is_ranked(asker: Caller) -> None:
    catalogue = {c["slug"] for c in asker.get("/api/v1/components").get_json()["components"]}
    reply = rank(asker)
    assert {line["component"] for line in reply["ranking"]} == catalogue
    assert len(catalogue) == 51
    assert any("Marrowby Parson 800" in note for note in reply["notes"])
    assert {line["evidence"]["parts"] for line in reply["ranking"]} == {0}
    assert all("prior only" in line["why"] for line in reply["ranking"])


def test_smallest_request(asker: Caller) -> None:
    machine = {"make": "Marrowby", "model": "Parson 800", "odometer": {"value": 38_000, "unit": "km"}}
    response = asker.post("/api/v1/rankings", json={"machine": machine})
    assert response.status_code == 200
    both = {"distance": {"value": 5000, "unit": "km"}, "months": 12}
    said = asker.post("/api/v1/rankings", json={"machine": machine, "horizon": both, "as_of": NOW.date().isoformat()})
    assert response.get_json() == said.get_json()


def test_level_widens_and_narrows(asker: Caller) -> None:
    wide, narrow = rank(asker, level=0.95), rank(asker, level=0.5)
    assert values(wide) == values(narrow)
    for outer, inner in zip(wide["ranking"], narrow["ranking"], strict=True):
        assert (outer["chance_in_horizon"]["level"], inner["chance_in_horizon"]["level"]) == (0.95, 0.5)
        assert outer["chance_in_horizon"]["low"] < inner["chance_in_horizon"]["low"]
        assert outer["chance_in_horizon"]["high"] > inner["chance_in_horizon"]["high"]


def test_horizon_ends_at_whichever_comes_first(asker: Caller) -> None:
    distance, months = {"distance": {"value": 5000, "unit": "km"}}, {"months": 12}
    far, long, both = (rank(asker, horizon=h) for h in (distance, months, {**distance, **months}))
    for line in both["ranking"]:
        slug = line["component"]
        assert chance(both, slug) == pytest.approx(min(chance(far, slug), chance(long, slug)), rel=1e-9)
    assert sum(values(rank(asker, horizon={"months": 24}))) > sum(values(long))


def test_miles_are_kilometres(asker: Caller) -> None:
    # 1 mi = 1.609344 km exactly: international yard and pound agreement of 1959.
    history = {"component": "stator", "action": "renewed", "date": "2024-05-01"}
    miles = rank(
        asker,
        {"odometer": {"value": 38_000 / 1.609344, "unit": "mi"}},
        horizon={"distance": {"value": 3000, "unit": "mi"}},
        history=[{**history, "odometer": {"value": 20_000, "unit": "mi"}}],
    )
    km = rank(
        asker,
        horizon={"distance": {"value": 4828.032, "unit": "km"}},
        history=[{**history, "odometer": {"value": 32_186.88, "unit": "km"}}],
    )
    assert values(miles) == pytest.approx(values(km), rel=1e-9)


def test_what_is_known_of_a_part_counts(asker: Caller) -> None:
    def told(**line: Any) -> dict[str, Any]:
        return rank(asker, history=[{"component": "battery", **line}])

    unknown, original = rank(asker), told(action="original")
    new = told(action="renewed", date="2026-05-01", odometer={"value": 37_900, "unit": "km"})
    assert chance(new, "battery") < chance(unknown, "battery") < chance(original, "battery")
    assert "100 km" in part(new, "battery")["why"]
    before = told(action="renewed")
    assert "when is unknown" in part(before, "battery")["why"]
    assert chance(new, "battery") < chance(before, "battery") < chance(original, "battery")
    assert chance(told(action="renewed", date="2020"), "battery") > chance(new, "battery")
    assert chance(new, "stator") == chance(unknown, "stator")


def test_answers_are_the_same_twice_in_any_key_order(asker: Caller) -> None:
    turned = json.dumps(dict(reversed(list(json.loads(CONTRACT).items()))))
    first, second, other = (
        asker.post("/api/v1/rankings", data=data, content_type="application/json").data
        for data in (CONTRACT, CONTRACT, turned)
    )
    assert first == second == other


def test_a_part_found_bad_stands_first_and_certain(asker: Caller) -> None:
    reply = rank(asker, history=[{"component": "fork_seal", "action": "checked_bad", "date": "2026-05"}])
    first = reply["ranking"][0]
    assert (first["component"], first["chance_bad_now"]["value"]) == ("fork_seal", 1.0)


@pytest.mark.parametrize(
    ("item", "pointer"),
    [
        ({"component": "brake_pad", "position": "banana"}, "/history/0/position"),
        ({"component": "regulator_rectifier", "position": "left"}, "/history/0/position"),
        ({"component": "flux_capacitor"}, "/history/0/component"),
        ({"component": "stator", "date": "2001"}, "/history/0/date"),
    ],
)
def test_what_cannot_be_of_this_machine_is_refused(asker: Caller, item: dict[str, Any], pointer: str) -> None:
    machine = {**PARSON, "built": "2012-04"}
    body = {"machine": machine, "as_of": "2026-06-01", "history": [{"action": "renewed", **item}]}
    response = asker.post("/api/v1/rankings", json=body)
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == pointer


def test_a_position_in_other_words_is_the_same_position(asker: Caller) -> None:
    told = [{"component": "brake_pad", "position": "front left", "action": "renewed", "date": "2026-05"}]
    places = {line["position"] for line in rank(asker, history=told)["ranking"] if line["component"] == "brake_pad"}
    assert "front_left" in places and "front left" not in places
