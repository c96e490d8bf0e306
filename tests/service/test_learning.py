"""What strip-downs teach about the checks: how they are counted, shown, and used by plans."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from analytics.outcomes import Verdict
from service.app import WeakspotApp
from service.catalogue import current_catalogue
from service.inspections import learning
from service.inspections.learning import tallies
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.inspection_rows import add_inspection
from tests.service.test_api_bills import LANNER

FAIL, PASS = Verdict.FAIL, Verdict.PASS


def accuracies(caller: Caller) -> dict[tuple[str, str | None], dict[str, Any]]:
    response = caller.get("/api/v1/accuracies")
    assert response.status_code == 200, response.text
    return {(entry["check"], entry["component"]): entry for entry in response.get_json()["accuracies"]}


def test_findings_are_paired_with_what_their_part_turned_out_to_be(app: WeakspotApp, gasket: Caller) -> None:
    with app.database.write() as session:
        for findings, opened in [
            ([("T02", None, "fail"), ("T02", None, "pass")], [("battery", True)]),  # the latest reading stands
            ([("T02", "battery", "fail")], [("battery", False)]),
            ([("T02", None, "pass")], []),
            ([("T02", None, "inconclusive")], [("battery", True)]),
            ([("T03", None, "fail")], [("charging_connector", True)]),
            ([("T03", None, "fail")], [("regulator_rectifier", False)]),  # the rest of the set was not opened
            ([("T08q", None, "fail")], [("charging_connector", True)]),  # a quick look is a check of its own
        ]:
            add_inspection(session, gasket.shop_id, findings, opened)
    with app.database.read() as session:
        found = tallies(session, gasket.shop_id, current_catalogue(session))
    battery = found["T02", "battery", None]
    assert (battery.bad[PASS], battery.good[FAIL], battery.unopened[PASS], battery.bad[FAIL]) == (1, 1, 1, 0)
    assert battery.chance_before == pytest.approx(0.2)
    charging = found["T03", None, None]
    assert (charging.bad[FAIL], charging.good[FAIL], charging.unopened[FAIL]) == (1, 0, 1)
    # any of the four: 1 - 0.95^3 x 0.99, which is 0.1512
    assert charging.chance_before == pytest.approx(1 - 0.95**3 * 0.99)
    assert found["T08q", "charging_connector", None].bad[FAIL] == 1
    assert ("T08", "charging_connector", None) not in found


def test_learnt_accuracy_is_shown_as_such(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    assert accuracies(gasket) == {}
    with app.database.write() as session:
        for number in range(8):
            add_inspection(session, gasket.shop_id, [("T26q", None, "fail")], [("chain_sprockets", number > 4)])
    (entry,) = accuracies(gasket).values()
    assert (entry["check"], entry["opened"], entry["opened_passes"]) == ("T26q", 8, 0)
    assert entry["says"].startswith("learnt from 8 outcomes on an invented prior; no pass was ever opened")
    fail = next(share for share in entry["given_good"] if share["outcome"] == "fail")
    # all opened, so the closed form: 20 pseudo-observations of 0.06, 5 of 5 good ones failed
    assert fail["value"] == pytest.approx((20 * 0.06 + 5) / 25, abs=1e-4)
    assert fail["prior"] == 0.06 and fail["low"] < fail["value"] < fail["high"]
    assert accuracies(arches) == {}
    for caller, words in ((gasket, "accuracy learnt from 8 outcomes"), (arches, "accuracies and worth: invented")):
        assert words in caller.get("/api/v1/checks/T26q").get_json()["mark"]


def chain_checks(caller: Caller) -> dict[str, float]:
    """The checks of the chain in a plan, with their worth."""
    asked = {"machine": LANNER, "as_of": "2026-06-01", "minutes": 30}
    made = caller.post("/api/v1/plans", json=asked).get_json()
    return {line["check"]: line["worth"] for line in made["lines"] if "chain_sprockets" in line["components"]}


def test_plans_use_what_was_learnt(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    """A chain check that fails good chains as often as bad ones is worth less than the invented figures had it."""
    before = chain_checks(gasket)
    with app.database.write() as session:
        for number in range(60):
            add_inspection(session, gasket.shop_id, [("T26", None, "fail")], [("chain_sprockets", number % 2 == 0)])
            add_inspection(session, gasket.shop_id, [("T26", None, "pass")], [("chain_sprockets", number % 2 == 0)])
    assert set(before) == {"T26"} and before["T26"] > 0
    # Safety keeps a look at the chain in: the quick one, of which nothing bad is known.
    assert set(chain_checks(gasket)) == {"T26q"}
    assert chain_checks(arches) == before


def chance_after_fail(caller: Caller) -> tuple[float, float]:
    """Chance that the chain is bad before and after its check failed."""
    asked = {"machine": LANNER, "as_of": "2026-06-01", "measurements": [{"check": "T26", "outcome": "fail"}]}
    ranking = caller.post("/api/v1/rankings", json=asked).get_json()["ranking"]
    (chain,) = (part for part in ranking if part["component"] == "chain_sprockets")
    return chain["chance_bad_now"]["value"], chain["chance_bad_now_after"]["value"]


def test_diagnoses_use_what_was_learnt(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    """Bayes' rule with the learnt shares, by hand: 20 x 0.92 + 10 of 30 bad, 20 x 0.03 + 30 of 50 good ones failed."""
    with app.database.write() as session:
        for number in range(40):
            add_inspection(session, gasket.shop_id, [("T26", None, "fail")], [("chain_sprockets", number < 10)])
    before, after = chance_after_fail(gasket)
    ratio = ((20 * 0.92 + 10) / 30) / ((20 * 0.03 + 30) / 50)
    assert after / (1 - after) == pytest.approx(before / (1 - before) * ratio, rel=1e-6)
    assert chance_after_fail(arches)[1] > after


def test_what_is_found_after_the_last_strip_down_waits_for_the_next(app: WeakspotApp, gasket: Caller) -> None:
    """Whoever learns late, another process or one that looks back, learns what was learnt at the time."""
    chain = [("T26", None, "fail")], [("chain_sprockets", True)]
    with app.database.write() as session:
        add_inspection(session, gasket.shop_id, *chain)
    at_the_time = accuracies(gasket)
    later = NOW + timedelta(days=1)
    with app.database.write() as session:
        add_inspection(session, gasket.shop_id, chain[0], now=later)
    learning.forget()  # as another process, which never knew
    assert accuracies(gasket) == at_the_time
    with app.database.write() as session:
        add_inspection(session, gasket.shop_id, *chain, now=later)
    app.now = lambda: later  # type: ignore[method-assign]
    (now,) = accuracies(gasket).values()
    assert (now["opened"], now["unopened"]) == (2, 1)
    asked = {"known_at": NOW.isoformat()}
    then = gasket.get("/api/v1/accuracies", query_string=asked).get_json()["accuracies"]
    assert then == list(at_the_time.values())
