"""Machines, requests and reading aids for the tests of inspections. Machines and figures are of the invented world."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from tests.service.callers import Caller

LANNER = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11", "odometer": {"value": 38_000, "unit": "km"}}
FALENA = {"make": "Velloria", "model": "Falena 990", "built": "2011-05", "odometer": {"value": 35_000, "unit": "km"}}
# Everything this person may need to have with them and be allowed to do.
FREE = {"minutes": 90, "kit": "bench", "permission": "may_ride"}


def reading(*values: float, unit: str, quantity: str | None = None, **more: Any) -> dict[str, Any]:
    """One quantity read once or as a set."""
    return {"quantity": quantity, "values": [{"value": v} for v in values], "unit": unit, **more}


def charging(volts: float, **more: Any) -> dict[str, Any]:
    """T03: charging voltage at 5,000 rpm, main beam on."""
    return {"check": "T03", "readings": [reading(volts, unit="V")], **more}


def ask(asker: Caller, machine: Mapping[str, Any] = LANNER, **asked: Any) -> dict[str, Any]:
    """A ranking with evidence."""
    response = asker.post("/api/v1/rankings", json={"machine": machine, "as_of": "2026-06-01", **asked})
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.get_json()
    return document


def entry(document: Mapping[str, Any], component: str, position: str | None = None) -> dict[str, Any]:
    """A part of a ranking or of an inspection's posteriors."""
    parts = document.get("ranking") or document["posteriors"]
    (found,) = [p for p in parts if (p["component"], p["position"]) == (component, position)]
    result: dict[str, Any] = found
    return result


def before(part: Mapping[str, Any]) -> float:
    """Chance bad now before the evidence."""
    return float(part["chance_bad_now"]["value"])


def after(part: Mapping[str, Any]) -> float:
    """Chance bad now after the evidence."""
    return float(part["chance_bad_now_after"]["value"])


def holds(chance: Mapping[str, float], figure: float) -> bool:
    """Whether a figure lies within an answer's interval."""
    return chance["low"] <= figure <= chance["high"]


def odds(chance: float) -> float:
    return chance / (1 - chance)


def moved_odds(chance: float, *ratios: float) -> float:
    """Bayes' rule: odds after = odds before times likelihood ratios."""
    moved = odds(chance) * math.prod(ratios)
    return moved / (1 + moved)


def start(caller: Caller, machine: Mapping[str, Any] | None = LANNER, **asked: Any) -> dict[str, Any]:
    """An inspection just started."""
    body = {**({} if machine is None else {"machine": machine}), "as_of": "2026-06-01", **FREE, **asked}
    response = caller.post("/api/v1/inspections", json=body)
    assert response.status_code == 201, response.text
    document: dict[str, Any] = response.get_json()
    assert response.headers["Location"].endswith(f"/inspections/{document['id']}")
    return document


def path_of(inspection: Mapping[str, Any], *more: str) -> str:
    """The address of an inspection or of something under it."""
    return "/".join(["/api/v1/inspections", str(inspection["id"]), *more])


def find(caller: Caller, inspection: Mapping[str, Any], found: Mapping[str, Any], **options: Any) -> dict[str, Any]:
    """Record a finding."""
    response = caller.post(path_of(inspection, "findings"), json=found, **options)
    assert response.status_code == 201, response.text
    document: dict[str, Any] = response.get_json()
    return document


def again(caller: Caller, inspection: Mapping[str, Any]) -> dict[str, Any]:
    """The inspection as it stands."""
    response = caller.get(path_of(inspection))
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.get_json()
    return document


def added_up(part: Mapping[str, Any]) -> float:
    """What a part's list of moves adds up to, as a chance."""
    log_odds = math.log(odds(max(before(part), 1e-12))) + sum(move["log_odds"] for move in part["moved_by"])
    return 1 / (1 + math.exp(-log_odds))


def objects(document: Any) -> Iterator[dict[str, Any]]:
    """Every object anywhere in a document, in the order of its text."""
    if isinstance(document, dict):
        yield document
        for value in document.values():
            yield from objects(value)
    elif isinstance(document, list):
        for value in document:
            yield from objects(value)


def pointers(response: Any, status: int = 422) -> list[str]:
    """Where a refusal points."""
    assert (response.status_code, response.mimetype) == (status, "application/problem+json"), response.text
    return [error["pointer"] for error in response.get_json().get("errors", [])]
