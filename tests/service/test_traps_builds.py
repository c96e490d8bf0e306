"""Data traps of the trade brief (section on job cards), by number: parts that were changed while a model was built.

The regulator of the Lanner 650 has a new number on machines built from September 2013 (invented layout). Shares are
worked out by hand from the days that what is written leaves open, to a sixteenth.
"""

from __future__ import annotations

from datetime import date

import pytest

from analytics.spells import Outcome
from service.app import WeakspotApp
from service.build_days import build_days
from service.setup import load_layouts
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_reviews import send
from tests.service.test_traps_cards import spells

SHARES = {
    "built-2013-08": ({"built": "2013-08"}, {0: 1.0}),
    "built-2013-09": ({"built": "2013-09"}, {1: 1.0}),
    "built-2013": ({"built": "2013"}, {0: 11 / 16, 1: 5 / 16}),  # 122 of 365 days
    # July 2012 to December 2013: 122 of 549 days
    "year-2013": ({"model_year": "2013"}, {0: 12 / 16, 1: 4 / 16}),
    "year-2012": ({"model_year": "2012"}, {0: 1.0}),
    # the half year before it was registered: 35 of 184 days
    "registered": ({"first_registered": "2013-10-05"}, {0: 13 / 16, 1: 3 / 16}),
    "registered-and-built": ({"first_registered": "2013-10-05", "built": "2013-09-20"}, {1: 1.0}),
    # seen in October 2013: 39 of the 466 days from July 2012 to then
    "seen-early": ({"model_year": "2013"}, {0: 15 / 16, 1: 1 / 16}),
}


def test_d22_what_is_written_of_the_build_tells_the_issue_of_the_part_or_leaves_both(
    app: WeakspotApp, gasket: Caller
) -> None:
    load_layouts(app.database)
    for machine, (written, _) in SHARES.items():
        first = "2013-10-09" if machine == "seen-early" else "2014-01-10"
        send(gasket, seen(f"{machine}-1", first, "1000", machine=machine, **written),
             row(card=f"{machine}-2", machine=machine, date="2015-03-12", odometer="9000"),
             seen(f"{machine}-3", "2016-01-10", "20000", machine=machine))  # fmt: skip
    found = spells(app, "regulator_rectifier")
    failed = found.outcome != Outcome.CENSORED
    told = zip(found.machine[failed], found.stratum[failed], found.weight[failed], strict=True)
    shares: list[dict[int, float]] = [{} for _ in SHARES]
    for machine, stratum, weight in told:
        shares[machine][int(stratum)] = float(weight)
    assert shares == [wanted for _, wanted in SHARES.values()]
    # one part taken off and one put on in each, whatever its number; what was put on in 2015 is of the later issue
    assert found.weight[failed].sum() == found.weight[~failed].sum() == len(SHARES)
    assert set(found.stratum[~failed].tolist()) == {1}


@pytest.mark.parametrize(
    ("written", "days"),
    [
        (("2013-09-20", None, None), ("2013-09-20", "2013-09-20")),
        (("2012-02", "2013-10-05", 2013), ("2012-02-01", "2012-02-29")),
        ((None, "2013-10-05", 2013), ("2013-04-05", "2013-10-05")),
        ((None, None, 2013), ("2012-07-01", "2013-12-31")),
        ((None, None, None), ("2007-07-01", "2016-12-31")),  # of a model built from 2008 to 2016
    ],
)
def test_the_first_and_the_last_day_of_build(written: tuple, days: tuple[str, str]) -> None:
    layout = {"built_from": 2008, "built_to": 2016}
    assert build_days(*written, layout) == tuple(date.fromisoformat(day).toordinal() for day in days)
