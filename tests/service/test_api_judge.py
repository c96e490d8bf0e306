"""POST /api/v1/measurements/judge: readings in any unit, judged by the limit that applies.

Bounds are those of the trade brief, section 3.3 (class defaults marked there as common practice unless sourced).
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import charging, pointers, reading


def judge(asker: Caller, **asked: Any) -> dict[str, Any]:
    response = asker.post("/api/v1/measurements/judge", json=asked)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.get_json()
    return document


@pytest.mark.parametrize(
    ("check", "values", "unit", "outcome"),
    [
        # T03: pass 13.5-15.0, marginal 13.0-13.5 and 15.0-15.5, else fail
        ("T03", [14.2], "V", "pass"),
        ("T03", [14_200], "mV", "pass"),
        ("T03", [0.0142], "kV", "pass"),
        ("T03", [13.2], "V", "marginal"),
        ("T03", [15.2], "V", "marginal"),
        ("T03", [12.9], "V", "fail"),
        ("T03", [15.6], "V", "fail"),
        # T09: pass up to 5 mA, fail above 30 mA
        ("T09", [0.004], "A", "pass"),
        ("T09", [40_000], "uA", "fail"),
        # T22: spread of the cylinders in kPa: pass up to 100, fail above 200 (1 bar = 100 kPa by definition)
        ("T22", [12.0, 11.5], "bar", "pass"),
        ("T22", [12.0, 10.5], "bar", "marginal"),
        ("T22", [1200, 900], "kPa", "fail"),
        # T04: three phases are one test: spread up to 10 % of the mean passes, above 20 % fails
        ("T04", [0.40, 0.42, 0.41], "ohm", "pass"),
        ("T04", [400, 500, 400], "milliohm", "fail"),
    ],
)
def test_any_unit_of_the_right_dimension(
    asker: Caller, check: str, values: list[float], unit: str, outcome: str
) -> None:
    found = judge(asker, check=check, readings=[reading(*values, unit=unit)])
    assert found["outcome"] == outcome
    first = found["judgements"][0]
    assert first["limit"]["id"] == found["judged_by"]
    assert first["limit"]["class_default"] and any("look up the model's own figure" in n for n in first["notes"])
    assert first["limit"]["sources"] or first["limit"]["mark"]


def test_inches_of_pad_lining_and_the_stricter_of_maker_and_law(asker: Caller) -> None:
    # 1 in = 25.4 mm exactly: international yard and pound agreement of 1959. 0.055 in = 1.397 mm.
    pads = {"check": "T31", "component": "brake_pad"}
    found = judge(asker, **pads, region="UK", readings=[reading(0.055, unit="inch")])
    assert found["outcome"] == "fail"
    assert any("T31-02" in note for note in found["judgements"][0]["notes"])
    # 1.8 mm: marginal by the class default, passes the test scheme: the stricter counts, both are shown.
    both = judge(asker, **pads, region="UK", readings=[reading(1.8, unit="mm")])
    assert both["outcome"] == "marginal"
    assert any("T31-02 (jurisdiction): pass" in note for note in both["judgements"][0]["notes"])


@pytest.mark.parametrize(
    ("region", "depth_mm", "outcome"),
    [("UK", 1.2, "marginal"), ("Germany", 1.2, "fail"), ("Germany", 2.7, "pass"), (None, 2.7, "inconclusive")],
)
def test_tread_is_judged_by_the_law_of_the_place(
    asker: Caller, region: str | None, depth_mm: float, outcome: str
) -> None:
    """UK 1.0 mm, Germany 1.6 mm (the brief's MOT-TY and TY1); the class default asks for 1.0 mm above it."""
    tread = reading(depth_mm, unit="mm", quantity="tread depth")
    found = judge(asker, check="T32", region=region, readings=[tread])
    assert found["outcome"] == outcome
    if region:
        limits = [j["limit"] for j in found["judgements"]]
        assert region in [limit["region"] for limit in limits]


def test_tread_without_a_region(asker: Caller) -> None:
    """Below the most lenient law on file (2/32 in = 0.79 mm, one state of the US; UK 1.0, Germany 1.6) it fails."""
    bare = judge(asker, check="T32", readings=[reading(0.0, unit="mm", quantity="tread depth")])
    assert bare["outcome"] == "fail" and bare["judgements"][0]["limit"]["region"] == "US, one state"
    assert "below every legal limit on file" in bare["judgements"][0]["reason"]
    # 0.030 in = 0.762 mm, 0.035 in = 0.889 mm
    for inches, outcome in ((0.030, "fail"), (0.035, "inconclusive")):
        found = judge(asker, check="T32", readings=[reading(inches, unit="inch", quantity="tread depth")])
        assert found["outcome"] == outcome
    reason = found["judgements"][0]["reason"]
    assert "give region" in reason
    assert all(said in reason for said in ("UK: tread depth, machines over 50 cc 1 mm", "Germany: tread depth 1.6 mm"))
    unmet = {"prerequisites_unmet": ["The jurisdiction's limit set is known."]}
    bare = judge(asker, check="T32", readings=[reading(0.0, unit="mm", quantity="tread depth")], **unmet)
    assert bare["outcome"] == "inconclusive"


def test_no_limit_on_file_is_not_judged(asker: Caller) -> None:
    """Q16: 71 °C thermostat opening; published openings run from 58 to 89.5 °C."""
    opening = reading(71, unit="°C", quantity="thermostat opening temperature")
    found = judge(asker, check="T25", component="thermostat", readings=[opening])
    assert (found["outcome"], found["judged_by"]) == ("inconclusive", None)
    reason = found["judgements"][0]["reason"]
    assert "needs the model's figure" in reason and "58 to 89.5" in reason
    # 160 °F = 71.1 °C
    fahrenheit = {**opening, "values": [{"value": 160}], "unit": "°F"}
    assert judge(asker, check="T25", component="thermostat", readings=[fahrenheit])["outcome"] == "inconclusive"
    figure = {"low": 70, "high": 75, "source": "owner's manual, p. 12"}
    own = judge(asker, check="T25", component="thermostat", readings=[{**opening, "figure": figure}])
    assert own["outcome"] == "pass"
    assert own["judgements"][0]["limit"]["sources"][0]["what"] == "owner's manual, p. 12"
    assert not own["judgements"][0]["limit"]["class_default"]


def test_the_models_own_figure_goes_before_the_class_default(asker: Caller) -> None:
    figure = {"low": 14.0, "high": 15.5, "source": "workshop manual"}
    for volts, by_default, by_figure in ((13.8, "pass", "fail"), (15.3, "marginal", "pass")):
        plain = judge(asker, check="T03", readings=[reading(volts, unit="V")])
        own = judge(asker, check="T03", readings=[reading(volts, unit="V", figure=figure)])
        assert (plain["outcome"], own["outcome"]) == (by_default, by_figure)
    pressure = reading(
        2.6, unit="bar", quantity="fuel pressure", figure={"low": 2.94, "high": 2.94, "source": "manual"}
    )
    # 2.6 / 2.94 = 88 %: marginal (10-15 % low)
    assert judge(asker, check="T13", readings=[pressure])["outcome"] == "marginal"


def test_unmet_prerequisites_make_it_inconclusive(asker: Caller) -> None:
    for more in ({"prerequisites_unmet": ["engine warm"]}, {"conditions": {"battery_full": False}},
                 {"conditions": {"battery_volts": 12.1}}):  # fmt: skip
        found = judge(asker, **charging(12.9), **more)
        assert found["outcome"] == "inconclusive"
        assert found["prerequisites_unmet"] and {s["likelihood_ratio"] for s in found["says"]} == {1.0}
    assert judge(asker, **charging(12.9), conditions={"battery_full": True})["outcome"] == "fail"


def test_over_range_is_a_value(asker: Caller) -> None:
    def insulation(value: float, unit: str, over_range: bool) -> str:
        taken = {**reading(value, unit=unit), "values": [{"value": value, "over_range": over_range}]}
        return str(judge(asker, check="T05", readings=[taken])["outcome"])

    # pass from 5 megohm, fail below 0.5: beyond a range of 20 megohm is good, beyond 200 ohm says nothing
    assert insulation(20, "megaohm", True) == "pass"
    assert insulation(200, "ohm", True) == "inconclusive"
    assert insulation(200, "kohm", False) == "fail"


def test_what_cannot_be_a_reading_is_refused(asker: Caller) -> None:
    for value, unit, where in ((142, "V", "values/0/value"), (14, "kPa", "unit"), (-400, "degC", "unit")):
        response = asker.post(
            "/api/v1/measurements/judge", json={"check": "T03", "readings": [reading(value, unit=unit)]}
        )
        assert pointers(response) == [f"/readings/0/{where}"]
    leads = reading(0.4, 0.4, 0.4, unit="ohm", lead_resistance={"value": 0.2, "unit": "V"})
    response = asker.post("/api/v1/measurements/judge", json={"check": "T04", "readings": [leads]})
    assert pointers(response) == ["/readings/0/lead_resistance/unit"]


def test_a_quantity_that_only_the_law_of_some_regions_limits(asker: Caller) -> None:
    """One state's inspection code (source MD1): 1 in of misalignment, and no other limit on file."""
    body = {"check": "T34", "readings": [reading(20, unit="mm", quantity="front to rear wheel alignment")]}
    refused = asker.post("/api/v1/measurements/judge", json=body)
    assert pointers(refused) == ["/readings/0/quantity"]
    assert "name the region" in refused.get_json()["errors"][0]["detail"] and "US, one state" in refused.text
    judged = asker.post("/api/v1/measurements/judge", json={**body, "region": "US, one state"})
    assert (judged.status_code, judged.get_json()["outcome"]) == (200, "pass"), judged.text
