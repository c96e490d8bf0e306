"""Rows that contradict something: which line is marked, of what kind, in which column.

The cases are hand-worked from the rule they stand under; machines and readings are invented.
"""

from __future__ import annotations

from datetime import date

import pytest

from service.imports.doubts import find_contradictions
from service.imports.histories import HistoryLine, MachineStart

TODAY = date(2026, 1, 5)
BUILT = MachineStart(date(2012, 11, 1), date(2012, 11, 30), "built 2012-11")


def history(text: str) -> list[HistoryLine]:
    """Lines of "card day reading action[/source]; ..." in the order they were written, numbered from 1."""
    made = []
    for order, line in enumerate(text.split("; "), 1):
        card, when, reading, what = line.split()
        action, _, source = what.partition("/")
        first, _, last = when.partition("..")
        km = None if reading == "-" else float(reading)
        days = date.fromisoformat(first), date.fromisoformat(last or first)
        shown = reading.strip("-")
        made.append(HistoryLine(order, card, *days, km, shown, "km", action, source or "card"))
    return made


FALLS = "odometer_falls"


@pytest.mark.parametrize(
    ("text", "start", "expected"),
    [
        pytest.param("1 2019-01-01 20000 seen; 2 2020-01-01 22000 seen", BUILT, {}, id="good"),
        pytest.param(
            "1 2019-01-01 20000 seen; 2 2020-01-01 18000 seen",
            BUILT,
            {(1, FALLS), (2, FALLS)},
            id="two readings: either may be wrong",
        ),
        pytest.param(
            "1 2018-01-01 20000 seen; 2 2018-06-01 20500 seen; 4 2019-01-01 2100 seen; 3 2020-01-01 22000 seen",
            BUILT,
            {(3, FALLS)},
            id="one odd reading among four",
        ),
        pytest.param(
            "1 2018-01-01 20000 seen; 2 2019-01-01 2100 seen; 3 2020-01-01 22000 seen",
            BUILT,
            {(1, FALLS), (2, FALLS)},
            id="of three the third agrees with either",
        ),
        pytest.param(
            "1 2019-06-01..2019-06-30 20000 seen; 2 2019-06-15 19000 seen",
            BUILT,
            {},
            id="a month leaves room",
        ),
        pytest.param(
            "1 2019-06-01..2019-06-30 20000 seen; 2 2019-07-15 19000 seen",
            BUILT,
            {(1, FALLS), (2, FALLS)},
            id="a month that leaves no room",
        ),
        pytest.param(
            "1 2019-01-01 31000 seen; 1 2019-01-01 9000 clock_changed; 2 2019-09-01 11000 seen",
            BUILT,
            {},
            id="clock change with the old reading before it",
        ),
        pytest.param(
            "1 2018-01-01 30000 seen; 2 2019-01-01 9000 clock_changed",
            BUILT,
            {(2, "clock_gap_unknown")},
            id="clock change without the old reading on its card",
        ),
        pytest.param(
            "1 2026-01-06 - seen; 2 2026-01-05 - seen; 3 2026-01-01..2026-12-31 - seen",
            BUILT,
            {(1, "future_date", "date")},
            id="tomorrow, today, this year",
        ),
        pytest.param(
            "1 2012-10-31 - renewed; 2 2012-11-01..2012-11-30 - seen; 3 2012-01-01..2012-12-31 - seen",
            BUILT,
            {(1, "before_built", "date")},
            id="before, in and around the month it was built",
        ),
        pytest.param("1 2019-01-01 0 seen", BUILT, {(1, "filler_reading")}, id="0 on an old machine"),
        pytest.param("1 2012-12-10 0 seen", BUILT, {}, id="0 on a new machine"),
        pytest.param(
            "1 2014-01-01 10000 seen; 2 2014-01-11 100000 seen; 3 2015-01-01 101000 seen; 4 2016-01-01 102000 seen",
            BUILT,
            {(1, "usage_implausible"), (2, "usage_implausible")},
            id="90,000 km in ten days, the rest fits either",
        ),
        pytest.param(
            "1 2013-01-01 8000 seen; 2 2013-01-02 8100 seen; 3 2013-01-03 90000 seen",
            BUILT,
            {(3, "usage_implausible")},
            id="the last reading has a digit too many",
        ),
        pytest.param(
            "1 2013-01-01 8000 seen; 2 2013-01-18 8977 seen; 3 2013-01-29 15020 seen; 4 2013-08-14 15717 seen",
            BUILT,
            {(2, "usage_implausible"), (3, "usage_implausible")},
            id="6,043 km in eleven days, the rest fits either",
        ),
        pytest.param(
            "1 2019-01-01 10000 seen; 2 2019-01-11 15400 seen", BUILT, {}, id="540 km a day, by the hour perhaps 490"
        ),
        pytest.param(
            "1 2019-01-01 20000 seen; 1 2019-01-01 21000 renewed",
            BUILT,
            {(1, "clocks_disagree"), (2, "clocks_disagree")},
            id="two clocks on one card",
        ),
        pytest.param("1 2019-01-01 20000 seen; 1 2019-01-01 20020 renewed", BUILT, {}, id="a test ride apart"),
        pytest.param(
            "1 2019-01-01 20000 seen; 1 2019-01-01 20000 renewed; 1 2019-02-01 20000 renewed",
            BUILT,
            {(3, "clocks_disagree", "date")},
            id="the odd date of a card",
        ),
        pytest.param(
            "1 2019-01-01 20000 seen; 1 2015-01-01 9000 renewed/papers", BUILT, {}, id="an old invoice on the card"
        ),
        pytest.param(
            "1 2018-01-01 - gone; 2 2019-01-01 - seen; 3 2019-01-01 - renewed/told",
            BUILT,
            {(1, "gone_then_seen", "date"), (2, "gone_then_seen", "date")},
            id="gone, then on a card",
        ),
    ],
)
def test_contradictions(text: str, start: MachineStart, expected: set[tuple[str, ...]]) -> None:
    found = {(f.order, f.kind, f.column) for f in find_contradictions(history(text), start, TODAY)}
    assert found == {(*case, "odometer")[:3] for case in expected}
