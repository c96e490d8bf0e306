"""Which lines were known on a day: by their date, not by when somebody typed them in."""

import numpy as np
import pytest

from analytics.histories import Lines
from service.backtest_lines import keep_lines, known_by

NAN = float("nan")


def lines(latest, reading, machine=None, in_doubt=None):
    n = len(latest)
    none = np.full(n, -1, dtype=np.int64)
    day = np.array(latest, dtype=float)
    return Lines(
        machine=np.zeros(n, dtype=np.int64) if machine is None else np.array(machine),
        card=np.arange(n), day=day, reading_km=np.array(reading, dtype=float), component=none, position=none,
        action=[f"line {k}" for k in range(n)], reason=["unknown"] * n, source=["card"] * n, quality=none,
        in_doubt=np.zeros(n, dtype=bool) if in_doubt is None else np.array(in_doubt),
    )  # fmt: skip


def test_a_line_counts_up_to_the_day_itself():
    some = lines([99, 100, 101], [1, 2, 3])
    assert known_by(some, some.day, np.array([100.0])).tolist() == [True, True, False]


def test_each_machine_has_its_own_day():
    some = lines([99, 99, 120], [1, 1, 2], machine=[0, 1, 1])
    assert known_by(some, some.day, np.array([90.0, 119.0])).tolist() == [False, True, False]


def test_a_month_that_is_not_over_is_not_known():
    some = lines([100, 100], [1, 2])
    assert known_by(some, np.array([99.0, 130.0]), np.array([110.0])).tolist() == [True, False]


def test_undated_lines_are_of_before_unless_their_reading_is_of_after():
    some = lines([100, NAN, NAN, NAN, 200], [5000, NAN, 4000, 6000, 7000])
    assert known_by(some, some.day, np.array([150.0])).tolist() == [True, True, True, False, False]


def test_a_reading_in_doubt_places_no_undated_line():
    some = lines([100, NAN, 120], [5000, 6000, 90_000], in_doubt=[False, False, True])
    assert known_by(some, some.day, np.array([150.0])).tolist() == [True, False, True]


def test_kept_lines_keep_their_words():
    kept = keep_lines(lines([1, 2, 3], [1, 2, 3]), np.array([True, False, True]))
    assert kept.action == ["line 0", "line 2"] and kept.day.tolist() == [1, 3]
    assert kept.reading_km == pytest.approx([1, 3])
