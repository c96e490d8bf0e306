"""Figures as finely as they are known."""

import pytest

from analytics.rough import rough, span_of


@pytest.mark.parametrize(
    ("value", "span", "said"),
    [
        (14_620.0, 2_500.0, 14_500.0),  # the trade brief's belts: 14,620 km, 13,500 to 16,000 within 2 %
        (13_420.0, 2_500.0, 13_500.0),
        (16_070.0, 2_500.0, 16_000.0),
        (14_232.0, 900.0, 14_200.0),
        (14_232.0, 40_000.0, 10_000.0),
        (731.0, 160.0, 740.0),
        (493.05, 8.0, 494.0),
        (14_232.0, None, 14_000.0),
        (8_731.0, None, 8_700.0),
        (0.0, None, 0.0),
    ],
)
def test_a_round_step_of_at_most_a_quarter_of_what_is_as_good(value, span, said):
    assert rough(value, span) == said
    if span is not None:
        assert abs(said - value) <= span / 8


def test_a_range_without_an_end_is_as_wide_above_as_below():
    assert span_of(14_000.0, (12_500.0, 15_600.0)) == 3_100.0
    assert span_of(14_000.0, (12_500.0, None)) == 3_000.0
