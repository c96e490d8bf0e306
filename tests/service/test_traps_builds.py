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
from service.fitting import refit
from service.life_lines import lines_to_fit
from service.setup import load_layouts
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.inspection_cases import entry
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


def campaign_cards(machines: int) -> list[dict[str, str]]:
    """Steering bearings of one model: most wear out within 12,000 km, those a campaign put on stay."""
    rows = []
    for k in range(2 * machines):
        about = {"machine": f"B-{k}", "built": "2010-03"}
        part = {**about, "component": "steering_head_bearing", "position": ""}
        first = {"date": "2012-06-10", "odometer": str(9_000 + 100 * k)}
        rows.append(seen(f"a{k}", "2010-06-10", "500", **about))
        if k < machines:
            rows.append(row(card=f"b{k}", reason="campaign", **first, **part))
        else:
            rows.append(row(card=f"b{k}", reason="failed", **first, **part))
            later = {"date": "2014-06-10", "odometer": str(20_000 + 100 * k)}
            rows.append(row(card=f"c{k}", reason="failed", **later, **part))
        rows.append(seen(f"d{k}", "2018-06-10", "41000" if k < machines else "30000", **about))
    return rows


def chance_of(app: WeakspotApp, gasket: Caller, reference: str) -> float:
    (machine,) = gasket.get(f"/api/v1/machines?reference={reference}").get_json()["machines"]
    found = gasket.get(f"/api/v1/machines/{machine['id']}/ranking?distance_km=5000").get_json()
    part = entry(found, "steering_head_bearing")
    return float(part["chance_in_horizon"]["value"])


@pytest.mark.parametrize(("machines", "strata"), [(9, {-1}), (10, {0, 1})])
def test_d30_the_parts_of_a_campaign_are_another_population(
    app: WeakspotApp, gasket: Caller, machines: int, strata: set[int]
) -> None:
    """No layout names a change of this part; from ten machines on (own choice) the campaign says that there is one."""
    send(gasket, *campaign_cards(machines))
    found = spells(app, "steering_head_bearing")
    with app.database.read() as session:
        kept = lines_to_fit(session).life_records({"steering_head_bearing"})["steering_head_bearing"]
    assert set(found.stratum.tolist()) == strata
    assert kept.stratum.tolist() == found.stratum.tolist()
    if strata == {0, 1}:
        after = found.not_original & (found.machine < machines)
        assert found.stratum[after].tolist() == [1] * machines and not found.stratum[~after].any()
        assert (found.outcome[found.machine < machines] == Outcome.CENSORED).all()


def test_d30_a_part_of_a_campaign_is_answered_for_as_such(app: WeakspotApp, gasket: Caller) -> None:
    """One put on in the campaign outlives the others on record; the chances of the two are told apart."""
    send(gasket, *campaign_cards(20))
    refit(app.database, pool_open=False, now=NOW)
    of_campaign, of_another = chance_of(app, gasket, "B-5"), chance_of(app, gasket, "B-25")
    assert of_campaign < 0.5 * of_another
