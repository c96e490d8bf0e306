"""Readings judged by limits: hand cases on the trade brief's class defaults, whose sources stand in its section 3.3."""

from __future__ import annotations

import pytest

from analytics.judging import CLASS_DEFAULT, judge, judge_by_best
from analytics.judging_types import InvalidReading, Measured, Reading
from analytics.units import InvalidUnit, convert
from tests.analytics.judging_cases import FAIL, INCONCLUSIVE, MARGINAL, PASS, limit, open_above, reading

CHARGING = limit(pass_low=13.5, pass_high=15.0, marginal_low=13.0, marginal_high=15.5)
REST = limit(direction="higher_is_better", pass_low=12.6, marginal_low=12.2)
DROP = limit(direction="lower_is_better", pass_high=0.2, marginal_high=0.5)
INSULATION = limit("Mohm", "higher_is_better", pass_low=5.0, marginal_low=0.5)
CRANKING = limit(
    direction="higher_is_better",
    pass_low=10.0,
    marginal_low=9.6,
    temperature_points=((20, 9.6), (-1, 9.1), (-18, 8.5)),
)


@pytest.mark.parametrize(
    ("by", "volts", "verdict"),
    [
        (CHARGING, 14.2, PASS),
        (CHARGING, 13.5, PASS),
        (CHARGING, 13.4, MARGINAL),
        (CHARGING, 15.5, MARGINAL),
        (CHARGING, 12.9, FAIL),
        (CHARGING, 15.6, FAIL),
        (REST, 12.6, PASS),
        (REST, 12.4, MARGINAL),
        (REST, 12.1, FAIL),
        (DROP, 0.1 + 0.1, PASS),
        (DROP, 0.3, MARGINAL),
        (DROP, 0.6, FAIL),
    ],
)
def test_bands_and_their_bounds(by, volts, verdict):
    found = judge(reading(volts), by)
    assert found.verdict is verdict
    assert found.measure == pytest.approx(volts)
    assert CLASS_DEFAULT in found.notes


def test_a_bound_can_stand_outside_its_band():
    pads = limit("mm", "higher_is_better", pass_low=3.0, marginal_low=1.5, pass_includes_bounds=False)
    assert [judge(reading(x, unit="mm"), pads).verdict for x in (3.1, 3.0, 1.5, 1.4)] == [
        PASS,
        MARGINAL,
        MARGINAL,
        FAIL,
    ]


def test_a_flat_battery_makes_a_charging_test_inconclusive_not_a_fail():
    found = judge(reading(12.9, prerequisites_unmet=("battery not fully charged",)), CHARGING)
    assert found.verdict is INCONCLUSIVE
    assert found.reason == "prerequisite not met: battery not fully charged"


def test_over_range_is_a_value_greater_than_the_range():
    assert judge(reading(open_above(20), unit="Mohm"), INSULATION).verdict is PASS
    assert judge(reading(open_above(2), unit="Mohm"), INSULATION).verdict is INCONCLUSIVE
    assert judge(reading(open_above(20), unit="V"), CHARGING).verdict is FAIL
    assert judge(reading(open_above(200), unit="ohm"), limit("ohm", "lower_is_better", pass_high=1)).verdict is FAIL
    infinite = limit("Mohm", "over_range")
    assert judge(reading(open_above(20), unit="Mohm"), infinite).verdict is PASS
    assert judge(reading(8, unit="Mohm"), infinite).verdict is FAIL


@pytest.mark.parametrize(
    ("celsius", "volts", "verdict"),
    [(20, 9.5, FAIL), (-1, 9.5, PASS), (-1, 9.2, MARGINAL), (-18, 8.5, MARGINAL), (-40, 8.4, FAIL), (None, 9.5, FAIL)],
)
def test_cranking_limits_fall_with_the_cold(celsius, volts, verdict):
    """Published load-test table of the brief: 9.6 V at 20 °C, 9.1 V at -1 °C, 8.5 V at -18 °C."""
    found = judge(reading(volts, ambient_celsius=celsius), CRANKING)
    assert found.verdict is verdict
    assert len(found.notes) == (1 if celsius == 20 else 2)


def test_no_limit_on_file_is_not_judged():
    """Brief Q16: thermostat opens at 71 °C; published openings run from 58 to 89.5 °C."""
    others = [
        limit("°C", scope="published example", pass_low=low, pass_high=high)
        for low, high in ((58, 62), (75, 75), (86.5, 89.5))
    ]
    found = judge_by_best(reading(71, unit="°C"), others)
    assert found.verdict is INCONCLUSIVE
    assert found.reason.startswith("not judged: no limit on file, needs the model's figure")
    assert found.reason.endswith("from 58 to 89.5")


def test_the_models_limit_goes_first_and_the_jurisdictions_stands_beside():
    model = limit("mm", "higher_is_better", id="M", scope="model", pass_low=1.2)
    default = limit("mm", "higher_is_better", id="D", pass_low=3.0)
    law = limit("mm", "higher_is_better", id="J", scope="jurisdiction", pass_low=1.6, region="Germany")
    depth = reading(1.4, unit="mm")
    assert judge_by_best(depth, [default, model]).limit.id == "M"
    strict = judge_by_best(depth, [default, law, model])
    assert (strict.verdict, strict.limit.id, strict.notes) == (FAIL, "J", ("M (model): pass",))


def test_units_are_converted_and_wrong_ones_refused():
    """Exact by definition: 1 inch = 25.4 mm; 1 bar = 100 kPa; 212 °F = 100 °C."""
    assert convert(1, "inch", "mm") == pytest.approx(25.4)
    assert convert(2.94, "bar", "kPa") == pytest.approx(294)
    assert convert(212, "°F", "°C") == pytest.approx(100)
    assert judge(reading(180, unit="mV"), DROP).verdict is PASS
    for unit, words in (("ohm", "does not measure the same as 'V'"), ("vlot", "unit 'vlot' is not known"), ("", "''")):
        with pytest.raises(InvalidUnit, match=words):
            judge(reading(14, unit=unit), CHARGING)
    with pytest.raises(InvalidUnit):
        convert(1, "count", "%")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Reading((), "V"), "a missing reading is no reading and never a pass"),
        (lambda: Measured(float("nan")), "value must be a number"),
        (lambda: judge(reading(-3, unit="mm"), limit("mm", pass_low=1)), "below zero"),
        (lambda: judge(reading(-300, unit="°C"), limit("°C", pass_low=1)), "below absolute zero"),
        (lambda: limit(scope="gossip"), "scope must be one of"),
        (lambda: limit(pass_low=5, pass_high=4), "must run from low to high"),
    ],
)
def test_what_no_meter_shows_is_refused(make, words):
    with pytest.raises(InvalidReading, match=words):
        make()
