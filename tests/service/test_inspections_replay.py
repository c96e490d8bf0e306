"""An inspection taken up again says the same, whatever strip-downs have taught since it began."""

from __future__ import annotations

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.inspection_cases import again, find, start
from tests.service.inspection_rows import add_inspection

CHAIN_FAIL = {"check": "T26", "outcome": "fail"}


def teach(app: WeakspotApp, shop: Caller, times: int) -> None:
    """Strip-downs after which a failed chain check says much less: 1 in 4 of the failed chains was bad."""
    with app.database.write() as session:
        for number in range(times):
            add_inspection(session, shop.shop_id, [("T26", None, "fail")], [("chain_sprockets", number % 4 == 0)])


def test_what_is_taught_later_does_not_change_it(app: WeakspotApp, gasket: Caller) -> None:
    made = start(gasket)
    find(gasket, made, CHAIN_FAIL)
    before = again(gasket, made)
    assert before["versions"]["accuracies"] == "catalogue prior"
    teach(app, gasket, 40)
    assert again(gasket, made) == before
    fresh = start(gasket)
    assert fresh["versions"]["accuracies"] not in ("catalogue prior", "")
    find(gasket, fresh, CHAIN_FAIL)
    chances = [
        next(p["chance_bad_now_after"]["value"] for p in document["posteriors"] if p["component"] == "chain_sprockets")
        for document in (before, again(gasket, fresh))
    ]
    assert chances[1] < chances[0]


def test_what_was_taught_before_is_kept_with_it(app: WeakspotApp, gasket: Caller) -> None:
    teach(app, gasket, 8)
    made = start(gasket)
    find(gasket, made, CHAIN_FAIL)
    before = again(gasket, made)
    marks = {line["check"]: line["mark"] for line in start(gasket)["plan"]["lines"]}
    assert any("learnt from 8 outcomes" in mark for mark in marks.values())
    teach(app, gasket, 40)
    assert again(gasket, made) == before
