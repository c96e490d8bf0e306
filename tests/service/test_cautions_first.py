"""Cautions stand before steps, in the text itself, in every reply and for every check that has them."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.catalogue_files import read_catalogue
from service.setup import seed_folder
from tests.service.callers import Caller
from tests.service.inspection_cases import charging, find, path_of, start

CATALOGUE = read_catalogue(seed_folder() / "catalogue")
CHECKS = sorted(CATALOGUE.check_by_id)
THEN = ("before", "steps", "expected", "judging", "trap", "note", "ask_first", "judgements", "would_change")


def in_order(text: str) -> list[list[tuple[str, Any]]]:
    """Every object of a JSON text that has cautions or steps, as its pairs in the order they stand."""
    found: list[list[tuple[str, Any]]] = []

    def keep(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if {"cautions", "steps"} & {name for name, _ in pairs}:
            found.append(pairs)
        return dict(pairs)

    json.loads(text, object_pairs_hook=keep)
    return found


def assert_cautions_first(text: str) -> set[str]:
    """Checks of a reply that were seen to be in order."""
    seen = set()
    for pairs in in_order(text):
        names = [name for name, _ in pairs]
        document = dict(pairs)
        assert "cautions" in names, names
        assert all(names.index("cautions") < names.index(then) for then in THEN if then in names), names
        key = document.get("check") or document.get("id")
        if key in CATALOGUE.check_by_id:
            wanted = [CATALOGUE.caution_by_id[c].text for c in CATALOGUE.check_by_id[key].cautions]
            assert [caution["text"] for caution in document["cautions"]] == wanted
            seen.add(key)
    return seen


@pytest.mark.parametrize("check", CHECKS)
def test_every_check_of_the_catalogue(asker: Caller, check: str) -> None:
    response = asker.get(f"/api/v1/checks/{check}")
    assert response.status_code == 200
    assert assert_cautions_first(response.text) == {check}
    assert response.get_json()["steps"]


@pytest.mark.parametrize("check", CHECKS)
def test_every_check_when_judged(asker: Caller, check: str) -> None:
    state = {"engine_state": "hot"} if check == "T19" else {}
    found = {"part_mark": "pattern"} if check == "T36" else {"outcome": "fail"}
    response = asker.post("/api/v1/measurements/judge", json={"check": check, **found, **state})
    assert response.status_code == 200, response.text
    assert assert_cautions_first(response.text) == {check}
    assert response.get_json()["outcome"] == ("marginal" if check == "T36" else "fail")


def test_plans_and_inspections(gasket: Caller) -> None:
    seen: set[str] = set()
    for minutes, permission in ((20, "look_only"), (60, "seat_off"), (480, "may_ride")):
        made = start(gasket, minutes=minutes, permission=permission, symptoms=[{"id": "S10"}])
        seen |= assert_cautions_first(gasket.get(path_of(made)).text)
        if permission != "look_only":
            find(gasket, made, charging(12.9))
            response = gasket.post(path_of(made, "findings"), json={"check": "T31q", "outcome": "marginal"})
            seen |= assert_cautions_first(response.text)
            seen |= assert_cautions_first(gasket.get(path_of(made)).text)
    assert len(seen) > 25


def test_fire_caution_before_the_words_about_spray(asker: Caller) -> None:
    """Q5: cranks, no start, fires on spray."""
    response = asker.get("/api/v1/symptoms")
    (spray,) = [s for s in response.get_json()["symptoms"] if s["id"] == "S02"]
    assert [caution["id"] for caution in spray["cautions"]] == ["C1", "C11"]
    for pairs in in_order(response.text):
        names = [name for name, _ in pairs]
        assert names.index("cautions") < names.index("note")


def test_unknown_check_is_not_found(asker: Caller) -> None:
    assert asker.get("/api/v1/checks/T99").status_code == 404
    listed = asker.get("/api/v1/checks").get_json()["checks"]
    assert [check["id"] for check in listed] == CHECKS
    assert {check["quick_variant_of"] for check in listed if check["id"].endswith("q")} <= set(CHECKS)
