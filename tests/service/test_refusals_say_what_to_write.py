"""A refused field is told what to write: a date as ISO 8601 writes it, a moment as RFC 3339, JSON as RFC 8259."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, charging

RANKINGS, JUDGE = "/api/v1/rankings", "/api/v1/measurements/judge"
OBJECT, LIST = "Write an object with named fields in curly brackets.", "Write a list in square brackets."
GENERIC = ("Invalid input", "Invalid type", "Not a valid", "may not be null", "Missing data", "Unknown field")


@pytest.mark.parametrize(
    ("path", "body", "pointer", "said"),
    [
        (RANKINGS, {"machine": LANNER, "as_of": "yesterday"}, "/as_of", "Write a date, like 2026-06-01."),
        (RANKINGS, {"machine": "Lanner"}, "/machine", OBJECT),
        (RANKINGS, {"machine": None}, "/machine", "null says nothing here: write an object"),
        (RANKINGS, {}, "/machine", "This is missing: write an object"),
        (RANKINGS, [], "", OBJECT),
        (RANKINGS, {"machine": {**LANNER, "make": 7}}, "/machine/make", "Write a text in quotes."),
        (RANKINGS, {"machine": {**LANNER, "odometer": 38}}, "/machine/odometer", OBJECT),
        (RANKINGS, {"machine": LANNER, "history": {}}, "/history", LIST),
        (RANKINGS, {"machine": LANNER, "history": None}, "/history", "or leave it out"),
        (RANKINGS, {"machine": LANNER, "as_off": 1}, "/as_off", "known are known_at, machine, as_of"),
        (JUDGE, charging(14) | {"prerequisites_unmet": [3]}, "/prerequisites_unmet/0", "Write a text in quotes."),
        (JUDGE, {"check": "T03", "readings": [14]}, "/readings/0", OBJECT),
        ("/api/v1/inspections", {"machine_id": "7"}, "/machine_id", "Write an id as this API gave it"),
    ],
)
def test_what_to_write(asker: Caller, path: str, body: Any, pointer: str, said: str) -> None:
    response = asker.post(path, json=body)
    assert response.status_code == 422, response.text
    errors = {error["pointer"]: error["detail"] for error in response.get_json()["errors"]}
    assert said in errors[pointer]
    assert not any(word in detail for word in GENERIC for detail in errors.values())


def test_in_the_address_too(asker: Caller) -> None:
    for query, said in (
        ("after=7", "Write an id"),
        ("open=perhaps", "Write true or false."),
        ("limit=many", "Write a whole number"),
        ("opened=true", "known are"),
    ):
        response = asker.get(f"/api/v1/inspections?{query}")
        assert response.status_code == 422
        assert said in response.get_json()["errors"][0]["detail"]


def test_a_fields_own_message_stands(asker: Caller) -> None:
    response = asker.post(
        "/api/v1/bills", json={"machine": LANNER, "chances": [{"component": "stator", "chance_bad": "0.4"}]}
    )
    assert response.get_json()["errors"][0]["detail"] == "Write a number without quotes."
