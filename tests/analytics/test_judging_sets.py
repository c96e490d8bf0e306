"""Sets of readings, resistances, and figures measured against a reference; limits as in the trade brief, 3.3."""

from __future__ import annotations

import pytest

from analytics.judging import copper_resistance, judge
from analytics.judging_types import InvalidReading
from tests.analytics.judging_cases import FAIL, INCONCLUSIVE, MARGINAL, PASS, limit, open_above, reading

DROP = limit(direction="lower_is_better", pass_high=0.2, marginal_high=0.5)
PHASES = limit("%", "balance", basis="spread_percent", pass_high=10, marginal_high=20)
COMPRESSION = limit("kPa", "balance", basis="spread", pass_high=100, marginal_high=200)


def test_a_set_of_readings_is_one_test():
    even, lame = reading(60, 58, 61), reading(60, 45, 61)
    assert judge(even, PHASES).verdict is PASS
    assert judge(even, PHASES).measure == pytest.approx(100 * 3 / (179 / 3))
    assert judge(lame, PHASES).verdict is FAIL
    assert judge(reading(0.4, open_above(200), 0.4, unit="ohm"), PHASES).verdict is FAIL
    assert judge(reading(open_above(200), open_above(200), unit="ohm"), PHASES).verdict is INCONCLUSIVE
    assert judge(reading(1200, 1120, unit="kPa"), COMPRESSION).verdict is PASS
    with pytest.raises(InvalidReading, match="at least two values"):
        judge(reading(1200, unit="kPa"), COMPRESSION)


def test_of_several_values_against_a_value_limit_the_worst_counts():
    found = judge(reading(0.1, 0.6, 0.3), DROP)
    assert (found.verdict, found.measure) == (FAIL, 0.6)


def test_a_spread_inside_the_meters_resolution_is_none():
    """Brief Q4: three pairs of a stator on a meter with 0.1 ohm steps (common practice, no source)."""
    assert judge(reading(0.3, 0.4, 0.4, unit="ohm"), PHASES).verdict is FAIL
    assert judge(reading(0.3, 0.4, 0.4, unit="ohm", resolution=0.1), PHASES).verdict is PASS


def test_lead_resistance_is_taken_off():
    phase = limit("ohm", pass_low=0.2, pass_high=0.5)
    assert judge(reading(0.6, unit="ohm"), phase).verdict is FAIL
    found = judge(reading(0.6, unit="ohm", lead_resistance_ohm=0.2), phase)
    assert (found.verdict, found.measure) == (PASS, pytest.approx(0.4))
    assert judge(reading(1.2, unit="kohm", lead_resistance_ohm=0.2), limit("ohm", pass_high=1200)).measure == 1199.8


def test_figures_measured_against_a_reference():
    pressure = limit("%", basis="percent_of_model", pass_low=90, pass_high=110, marginal_low=85, marginal_high=110)
    model = {"unit": "bar", "reference": (2.94, 2.94)}
    assert [judge(reading(x, **model), pressure).verdict for x in (2.8, 2.55, 2.4, 3.3)] == [PASS, MARGINAL, FAIL, FAIL]
    assert judge(reading(2.8, unit="bar"), pressure).verdict is INCONCLUSIVE
    assert judge(reading(95, unit="%"), pressure).verdict is PASS
    edge = limit("mm", basis="inside_model_tight_edge", pass_low=0.02, marginal_low=0, pass_includes_bounds=False)
    valve = {"unit": "mm", "reference": (0.08, 0.13)}
    assert [judge(reading(x, **valve), edge).verdict for x in (0.11, 0.09, 0.07, 0.14)] == [PASS, MARGINAL, FAIL, FAIL]
    ends = limit("V", basis="outside_model", pass_high=0.1, marginal_high=0.2)
    assert judge(reading(0.4, reference=(0.58, 0.78)), ends).measure == pytest.approx(0.18)
    disc = limit("mm", basis="above_stamped_minimum", pass_low=0.3, marginal_low=0, pass_includes_bounds=False)
    assert judge(reading(4.7, unit="mm", reference=(4.5, 4.5)), disc).verdict is MARGINAL


def test_copper_winding_at_another_temperature():
    """IEC 60028 (from memory): 0.00393 a kelvin at 20 °C; 10 ohm at 20 °C are 13.144 ohm at 100 °C."""
    assert copper_resistance(10, 20, 100) == pytest.approx(13.144)
    assert copper_resistance(copper_resistance(0.4, 5, 90), 90, 5) == pytest.approx(0.4)
