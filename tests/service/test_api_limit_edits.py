"""POST and GET /api/v1/limits/{id}/versions: a shop's own figures, with the editor's trail."""

from __future__ import annotations

from typing import Any

import pytest

from analytics.judging import judge_by_best
from analytics.judging_types import Measured, Reading
from service.app import WeakspotApp
from service.catalogue import current_catalogue
from service.inspections.limit_edits import WhichMachine, with_limit_edits
from service.inspections.limits_on_file import for_judging
from tests.service.callers import Caller

KEY = "T01-01"  # battery rest voltage, class default: pass from 12.6 V, marginal from 12.2 V
PATH = f"/api/v1/limits/{KEY}/versions"
BASE = {
    **{"make": "Tindrake", "model": "Lanner 650", "year_from": 2010, "year_to": 2013},
    **{"pass_low": 12.9, "marginal_low": 12.4},
    **{"source": "workshop manual, page 40", "editor": "R. Tull", "why": "seen in the book"},
}
LANNER = WhichMachine("tindrake", "lanner 650", "TD-T2", 2012)


def add(caller: Caller, **changed: Any) -> dict[str, Any]:
    response = caller.post(PATH, json={**BASE, **changed})
    assert response.status_code == 201, response.text
    found: dict[str, Any] = response.get_json()
    return found


def judged(app: WeakspotApp, caller: Caller, machine: WhichMachine, volts: float = 12.7) -> tuple[str, str]:
    """Verdict on a resting battery and the limit that gave it."""
    with app.database.read() as session:
        catalogue = with_limit_edits(session, caller.shop_id, current_catalogue(session), machine)
    limits = [for_judging(x) for x in catalogue.limits if x.check == "T01" and x.quantity == "battery rest voltage"]
    verdict = judge_by_best(Reading((Measured(volts),), "V"), limits)
    assert verdict.limit is not None
    return verdict.verdict.value, verdict.limit.id


def test_the_models_own_figure_goes_before_the_class_default(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    assert judged(app, gasket, LANNER) == ("pass", KEY)
    made = add(gasket)
    assert (made["limit"], made["version"], made["scope"], made["in_force"]) == ("T01-01/1", 1, "model", True)
    assert judged(app, gasket, LANNER) == ("marginal", "T01-01/1")
    # The class default stays for every other machine, year and shop.
    for other in (WhichMachine("Tindrake", "Merle 500", None, 2012), WhichMachine("Tindrake", "Lanner 650", None, 2014),
                  WhichMachine("Tindrake", "Lanner 650"), WhichMachine()):  # fmt: skip
        assert judged(app, gasket, other) == ("pass", KEY)
    assert judged(app, arches, LANNER) == ("pass", KEY)


def test_newest_version_counts_and_a_model_goes_before_its_family(app: WeakspotApp, gasket: Caller) -> None:
    add(gasket, model=None, family="TD-T2", pass_low=12.5, marginal_low=12.0, year_from=None, year_to=None)
    assert judged(app, gasket, LANNER, 12.55) == ("pass", "T01-01/1")
    add(gasket)
    add(gasket, pass_low=12.65, why="misread before")
    assert judged(app, gasket, LANNER) == ("pass", "T01-01/3")
    add(gasket, withdrawn=True, why="was the sister model's")
    assert judged(app, gasket, LANNER, 12.55) == ("pass", "T01-01/1")


def test_history_keeps_who_and_why(gasket: Caller) -> None:
    add(gasket)
    add(gasket, pass_low=12650, marginal_low=None, unit="mV", editor="A. Brook", why="misread before")
    history = gasket.get(PATH).get_json()
    assert (history["check"], history["catalogue"]["scope"]) == ("T01", "class default")
    first, second = history["versions"]
    assert [(v["version"], v["editor"], v["why"], v["in_force"]) for v in (first, second)] == [
        (1, "R. Tull", "seen in the book", False),
        (2, "A. Brook", "misread before", True),
    ]
    assert second["document"]["pass_low"] == pytest.approx(12.65)
    assert first["document"]["source"] == "workshop manual, page 40" and first["recorded_at"]


def test_a_regions_rule_needs_its_date_and_holds_there_only(app: WeakspotApp, gasket: Caller) -> None:
    nowhere = {"make": None, "model": None, "year_from": None, "year_to": None, "region": "Sallow county"}
    assert gasket.post(PATH, json={**BASE, **nowhere}).status_code == 422
    assert add(gasket, **nowhere, as_of="2026-01")["scope"] == "jurisdiction"
    assert judged(app, gasket, WhichMachine(region="Sallow county")) == ("marginal", "T01-01/1")
    assert judged(app, gasket, WhichMachine(region="UK")) == ("pass", KEY)


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"make": None}, "/make"),
        ({"model": None}, "/model"),
        ({"family": "TD-T2"}, "/family"),
        ({"year_from": 2014}, "/year_to"),
        ({"pass_low": None, "marginal_low": None}, "/pass_low"),
        ({"pass_low": None, "marginal_low": None, "pass_high": 15}, "/pass_low"),
        ({"marginal_low": 13.5}, "/marginal_low"),
        ({"unit": "kPa"}, "/unit"),
        ({"source": ""}, "/source"),
        ({"editor": None}, "/editor"),
    ],
)
def test_refused_and_nothing_kept(gasket: Caller, changed: dict[str, Any], pointer: str) -> None:
    response = gasket.post(PATH, json={**BASE, **changed})
    assert response.status_code == 422
    assert pointer in [error["pointer"] for error in response.get_json()["errors"]]
    assert gasket.get(PATH).get_json()["versions"] == []


def test_unknown_limit_and_nothing_to_withdraw(gasket: Caller) -> None:
    assert gasket.post("/api/v1/limits/T99-01/versions", json=BASE).status_code == 404
    assert gasket.get("/api/v1/limits/T99-01/versions").status_code == 404
    assert gasket.post(PATH, json={**BASE, "withdrawn": True}).status_code == 409
