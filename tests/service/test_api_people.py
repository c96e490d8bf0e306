"""Tokens, people, settings and accesses over HTTP and on the command line."""

from __future__ import annotations

import json
import uuid
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import ApiToken, KeptReply
from service.people.accounts import add_member
from service.people.tokens import create_token
from tests.service.callers import Caller, Command
from tests.service.databases import NOW


def with_scope(app: WeakspotApp, shop_id: int, scope: str) -> Caller:
    with app.database.write() as session:
        token = create_token(session, shop_id, label=f"may {scope}", now=NOW, scope=scope)
    return Caller(shop_id, token, app.test_client())


@pytest.fixture
def keeper(app: WeakspotApp, gasket: Caller) -> Caller:
    """A token that may administer the shop."""
    return with_scope(app, gasket.shop_id, "admin")


def test_token_is_shown_once_listed_and_revoked(app: WeakspotApp, keeper: Caller) -> None:
    made = keeper.post("/api/v1/tokens", json={"label": "the till", "scope": "read", "days": 30})
    assert made.status_code == 201
    body = made.get_json()
    assert datetime.fromisoformat(body["expires_at"]) == NOW + timedelta(days=30)
    till = Caller(keeper.shop_id, body["token"], app.test_client())
    assert till.get("/api/v1/machines").status_code == 200
    listed = keeper.get("/api/v1/tokens")
    assert body["token"] not in listed.get_data(as_text=True)
    (entry,) = [token for token in listed.get_json()["tokens"] if token["id"] == body["id"]]
    assert (entry["label"], entry["scope"], entry["hint"]) == ("the till", "read", body["token"][:8])
    for _ in range(2):  # what is done already is not done, or written down, once more
        assert keeper.send("DELETE", f"/api/v1/tokens/{body['id']}").status_code == 204
    assert [one["action"] for one in keeper.get("/api/v1/accesses").get_json()["accesses"]].count("token revoked") == 1
    assert till.get("/api/v1/machines").status_code == 401
    assert keeper.send("DELETE", f"/api/v1/tokens/{uuid.uuid4()}").status_code == 404


def test_reply_that_is_repeated_no_longer_holds_the_token(app: WeakspotApp, keeper: Caller) -> None:
    key = {"Idempotency-Key": "one-till"}
    first = keeper.post("/api/v1/tokens", json={"label": "the till"}, headers=key).get_json()
    again = keeper.post("/api/v1/tokens", json={"label": "the till"}, headers=key).get_json()
    assert first["token"].startswith("wsp_") and again == {**first, "token": None}
    with app.database.read() as session:
        assert first["token"].encode() not in session.scalars(select(KeptReply.body)).one()


def test_token_cannot_make_one_above_itself(keeper: Caller) -> None:
    assert keeper.post("/api/v1/tokens", json={"label": "x", "scope": "pool"}).status_code == 422


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/label"),
        ({"label": "x", "scope": "everything"}, "/scope"),
        ({"label": "x", "days": 0}, "/days"),
        ({"label": "x", "days": "30"}, "/days"),
        ({"label": "x", "shop": "another"}, "/shop"),
    ],
)
def test_what_cannot_be_a_token(keeper: Caller, body: dict[str, object], pointer: str) -> None:
    answer = keeper.post("/api/v1/tokens", json=body)
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.get_json()["errors"]] == [pointer]


def test_people_are_added_and_removed_with_their_tokens(app: WeakspotApp, keeper: Caller) -> None:
    made = keeper.post("/api/v1/people", json={"name": "Mara@Gasket.example", "role": "technician"}).get_json()
    assert made["name"] == "mara@gasket.example" and made["set_password"].startswith("/set-password/")
    again = keeper.post("/api/v1/people", json={"name": "mara@gasket.example", "role": "technician"})
    assert again.status_code == 409
    assert keeper.get("/api/v1/people").get_json()["people"] == [
        {"id": made["id"], "name": "mara@gasket.example", "roles": ["technician"], "password_set": False}
    ]
    with app.database.write() as session:
        person = add_member(session, keeper.shop_id, "mara@gasket.example", "reader", now=NOW)
        text = create_token(session, keeper.shop_id, label="mara's", now=NOW, person_id=person.id)
    assert keeper.send("DELETE", f"/api/v1/people/{made['id']}").status_code == 204
    assert Caller(keeper.shop_id, text, app.test_client()).get("/api/v1/machines").status_code == 401
    assert keeper.get("/api/v1/people").get_json()["people"] == []


def test_last_owner_stays(keeper: Caller) -> None:
    made = keeper.post("/api/v1/people", json={"name": "mara@gasket.example", "role": "owner"}).get_json()
    assert keeper.send("DELETE", f"/api/v1/people/{made['id']}").status_code == 409
    keeper.post("/api/v1/people", json={"name": "odd@gasket.example", "role": "owner"})
    assert keeper.send("DELETE", f"/api/v1/people/{made['id']}").status_code == 204


def test_token_does_no_more_than_its_maker_may_do_now(app: WeakspotApp, gasket: Caller) -> None:
    with app.database.write() as session:
        person = add_member(session, gasket.shop_id, "mara@gasket.example", "reader", now=NOW)
        token = create_token(session, gasket.shop_id, label="", now=NOW, scope="read", person_id=person.id)
        session.scalars(select(ApiToken).where(ApiToken.person_id == person.id)).one().scope = "write"
    mara = Caller(gasket.shop_id, token, app.test_client())
    assert mara.get("/api/v1/machines").status_code == 200
    assert mara.post("/api/v1/inspections", json={}).status_code == 403


def test_other_shops_people_and_tokens_do_not_exist(app: WeakspotApp, keeper: Caller, arches: Caller) -> None:
    stranger = with_scope(app, arches.shop_id, "admin")
    theirs = stranger.post("/api/v1/tokens", json={"label": "theirs"}).get_json()
    person = stranger.post("/api/v1/people", json={"name": "zoe@arches.example", "role": "reader"}).get_json()
    unknown = keeper.send("DELETE", f"/api/v1/tokens/{uuid.uuid4()}").get_data()
    assert keeper.send("DELETE", f"/api/v1/tokens/{theirs['id']}").get_data() == unknown
    assert keeper.send("DELETE", f"/api/v1/people/{person['id']}").status_code == 404
    assert "zoe" not in keeper.get("/api/v1/people").get_data(as_text=True)
    assert "theirs" not in keeper.get("/api/v1/accesses").get_data(as_text=True)
    assert "theirs" in stranger.get("/api/v1/accesses").get_data(as_text=True)


def test_settings_of_the_shop(keeper: Caller, gasket: Caller) -> None:
    known = {"If-Match": keeper.get("/api/v1/shop").headers["ETag"]}
    assert keeper.send("PATCH", "/api/v1/shop", json={"unit": "mi"}, headers=known).get_json()["unit"] == "mi"
    shown = gasket.get("/api/v1/shop")
    nothing = {"locale": None, "region": None, "machine_use": None}
    assert shown.get_json() == {"name": "The Cog & Gasket", "unit": "mi", **nothing}
    known = {"If-Match": shown.headers["ETag"]}
    assert gasket.send("PATCH", "/api/v1/shop", json={"unit": "km"}, headers=known).status_code == 403
    assert keeper.send("PATCH", "/api/v1/shop", json={"unit": "leagues"}, headers=known).status_code == 422


def test_tokens_and_people_on_the_command_line(weakspot: Command) -> None:
    shop = ("--shop", "The Cog & Gasket")
    code, out, _ = weakspot("token", "create", *shop, "--label", "the till", "--scope", "read", "--days", "10")
    token = out.split()[-1]
    assert code == 0 and token.startswith("wsp_")
    _, out, _ = weakspot("token", "list", *shop, "--json")
    (listed,) = json.loads(out)
    assert listed["hint"] == token[:8] and token not in out
    assert "the till" in weakspot("token", "list", *shop)[1]
    assert weakspot("token", "revoke", *shop, listed["id"])[0] == 0
    assert weakspot("token", "list", *shop)[1] == "none\n"
    assert weakspot("token", "revoke", *shop, str(uuid.uuid4()))[0] == 1
    assert "/set-password/" in weakspot("person", "add", *shop, "--name", "mara@gasket.example", "--role", "owner")[1]
    assert "/set-password/" in weakspot("person", "link", "--name", "mara@gasket.example")[1]
    assert weakspot("person", "link", "--name", "nobody@gasket.example")[0] == 1
    assert "owner (no password set yet)" in weakspot("person", "list", *shop)[1]
    assert weakspot("person", "remove", *shop, "--name", "mara@gasket.example")[0] == 1  # the last owner
    weakspot("person", "add", *shop, "--name", "odd@gasket.example", "--role", "owner")
    assert weakspot("person", "remove", *shop, "--name", "mara@gasket.example")[0] == 0
