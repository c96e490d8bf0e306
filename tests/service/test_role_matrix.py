"""Every operation of the OpenAPI document with a token of every scope: nothing is granted beyond the table.

The table is the requirement ("roles owner, technician, reader, pool steward"), written down apart from the code: what
may be asked with a reading token, what takes a writing one, what only an owner's. An operation that is new has to be
placed here by hand.
"""

from __future__ import annotations

import re

import pytest

from service.app import WeakspotApp
from service.people.roles import GRANTS, SCOPE_GRANTS, scopes_for
from service.vocabulary import ROLES, SCOPES
from tests.service.callers import Caller
from tests.service.test_api_people import with_scope

METHODS = ("get", "post", "put", "patch", "delete")
QUESTIONS = {"/rankings", "/plans", "/bills", "/measurements/judge", "/renewal-blocks"}
OWNERS_READ_TOO = ("/tokens", "/people", "/accesses")
OWNERS = (*OWNERS_READ_TOO, "/shop", "/pool")


def expected(method: str, path: str) -> str:
    """read, write, admin or pool."""
    if path == "/pool/publications":
        return "pool"
    if path.startswith(OWNERS_READ_TOO):
        return "admin"
    if method == "get" or path in QUESTIONS:
        return "read"
    return "admin" if path.startswith(OWNERS) else "write"


def test_every_operation_with_every_scope(app: WeakspotApp, gasket: Caller) -> None:
    paths = app.test_client().get("/api/v1/openapi.json").get_json()["paths"]
    operations = [(method, path) for path, item in paths.items() for method in METHODS if method in item]
    assert len(operations) >= 45
    callers = {scope: with_scope(app, gasket.shop_id, scope) for scope in SCOPES}
    allowed = {"read": {"read", "write", "admin"}, "write": {"write", "admin"}, "admin": {"admin"}, "pool": {"pool"}}
    wrong = []
    for method, path in operations:
        address = re.sub(r"{\w+}", "01890a5d-ac96-774b-bcce-b302099a8057", path)
        grant = expected(method, path.removeprefix("/api/v1"))
        for scope, caller in callers.items():
            answer = caller.send(method.upper(), address)
            refused = answer.status_code == 403
            if refused == (scope in allowed[grant]) or answer.status_code in (401, 500):
                wrong.append(f"{method} {path} with {scope}: {answer.status_code}")
    assert wrong == []


@pytest.mark.parametrize("scope", SCOPES)
def test_a_refusal_is_a_problem_document_and_says_what_is_missing(app: WeakspotApp, gasket: Caller, scope: str) -> None:
    answer = with_scope(app, gasket.shop_id, scope).get("/api/v1/tokens")
    if scope == "admin":
        assert answer.status_code == 200
        return
    assert (answer.status_code, answer.mimetype) == (403, "application/problem+json")
    assert "a token with the grant admin" in answer.get_json()["detail"]


def test_scopes_that_a_role_may_hand_out() -> None:
    assert {role: scopes_for([role]) for role in ROLES} == {
        "reader": ["read"],
        "technician": ["read", "write"],
        "owner": ["read", "write", "admin"],
        "pool_steward": ["pool"],
    }
    assert set(GRANTS) == set(ROLES) and set(SCOPE_GRANTS) == set(SCOPES)


def test_asking_with_a_method_that_is_not_there_grants_nothing(app: WeakspotApp, gasket: Caller) -> None:
    reader = with_scope(app, gasket.shop_id, "read")
    assert reader.send("DELETE", "/api/v1/machines").status_code == 405
    assert reader.post("/api/v1/nothing").status_code == 404
    override = {"X-HTTP-Method-Override": "GET"}
    assert reader.post("/api/v1/inspections", json={}, headers=override).status_code == 403
