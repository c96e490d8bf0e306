"""Recurrence: what the data cannot carry is refused with the field or the way out; edges are said in notes."""

import pytest

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.power_law import final_time_between_events, fit_power_law, shape_interval
from analytics.recurrence import histories, mean_cumulative_function
from analytics.trend import laplace, mil_hdbk_189, reverse_arrangements


def test_refusals():
    with pytest.raises(InvalidObservations, match="outside every window"):
        histories([0], 10, 20, [0], [10])
    with pytest.raises(InvalidObservations, match="overlap"):
        histories([0, 0], [0, 5], [6, 9], [0], [3])
    with pytest.raises(InvalidObservations, match="without a window"):
        histories([0], 0, 9, [1], [3])
    late = histories(["a", "b"], [0, 5], [9, 9], ["b", "a", "a", "a"], [6, 2, 3, 4])
    with pytest.raises(InvalidObservations, match="use laplace"):
        mil_hdbk_189(late)
    with pytest.raises(InvalidObservations, match="watched from new"):
        shape_interval(late, fit_power_law(late))
    with pytest.raises(InvalidObservations, match="one machine"):
        final_time_between_events(late, fit_power_law(late))
    with pytest.raises(TooFewEvents, match="mean cumulative function"):
        fit_power_law(histories([0], 0, 9, [0], [3]))
    with pytest.raises(TooFewEvents):
        laplace(histories([0], 0, 9, [0], [3]))
    with pytest.raises(InvalidObservations, match="increasing"):
        reverse_arrangements([5, 3, 8, 9])
    with pytest.raises(TooFewEvents, match="fewer than four"):
        reverse_arrangements([1, 2, 3])
    with pytest.raises(TooFewEvents, match="one age"):
        fit_power_law(histories([0, 1], 0, 9, [0, 1], [3, 3]))
    with pytest.raises(InvalidObservations, match="larger exit"):
        histories([0], 5, 5, [], [])
    with pytest.raises(InvalidObservations, match="at least one window"):
        histories([], 0, 5, [], [])
    with pytest.raises(InvalidObservations, match="named as in unit"):
        histories(["a"], 0, 5, [0], [2])
    with pytest.raises(InvalidObservations, match="level"):
        mean_cumulative_function(late, level=95)
    with pytest.raises(InvalidObservations, match="start and end"):
        fit_power_law(late).expected(5, 2)
    with pytest.raises(TooFewEvents, match="upper bound"):
        short = histories([0], 0, 9, [0, 0, 0], [1, 2, 4])
        final_time_between_events(short, fit_power_law(short), level=0.99)


def test_nothing_happened_and_what_was_not_watched():
    quiet = mean_cumulative_function(histories(["a"], 4, 9, [], []))
    assert quiet.at(9) == 0 and quiet.interval_at(9) == (0, 0)
    assert any("One machine" in note for note in quiet.notes)
    assert any("before age 4" in note for note in quiet.notes)
    gap = mean_cumulative_function(histories([0, 0, 1], [0, 6, 0], [3, 9, 2], [0], [7]))
    assert any("in between nobody" in note for note in gap.notes)


def test_stopping_at_the_last_event_with_no_events():
    with pytest.raises(TooFewEvents):
        laplace(histories([0], 0, 9, [], []), failure_truncated=True)
