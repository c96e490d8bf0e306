"""Signing in and out, setting a password with a link, and what the cookie is worth afterwards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import Person, WebSession
from service.people.accounts import add_member, password_link, person_named, remove_member
from service.people.passwords import PasswordHasher
from service.records import get_or_create_shop
from tests.service.databases import NOW
from tests.web.people import PASSWORD, Visitor, make_person


def test_the_start_asks_to_sign_in_and_goes_on_where_one_wanted(app: WeakspotApp, stranger: Visitor) -> None:
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician")
    asked = stranger.get("/account")
    assert (asked.status_code, asked.location) == (303, "/sign-in?next=/account")
    answer = stranger.sign_in("Mara@Gasket.example", next="/account")
    assert (answer.status_code, answer.location) == (303, "/account")
    assert "mara@gasket.example" in stranger.get("/account").get_data(as_text=True)


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "x"]
)
def test_nobody_is_sent_elsewhere(app: WeakspotApp, stranger: Visitor, elsewhere: str) -> None:
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician")
    assert "elsewhere" not in stranger.sign_in("mara@gasket.example", next=elsewhere).location


def test_cookie_is_out_of_reach_of_scripts_and_other_sites(app: WeakspotApp, stranger: Visitor) -> None:
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician")
    said = stranger.sign_in("mara@gasket.example").headers["Set-Cookie"]
    assert "HttpOnly" in said and "SameSite=Lax" in said and "Secure" not in said
    over_tls = stranger.http.get("/sign-out", base_url="https://shop.example/")
    assert over_tls.status_code == 405
    fresh = Visitor(app.test_client())
    assert "Secure" in fresh.http.get("/sign-in", base_url="https://shop.example/").headers["Set-Cookie"]


def test_session_is_new_at_each_sign_in_and_dead_after_signing_out(app: WeakspotApp, technician: Visitor) -> None:
    kept = technician.http.get_cookie("weakspot_session")
    assert kept is not None
    assert technician.post("/sign-out").location == "/sign-in"
    thief = app.test_client()
    thief.set_cookie("weakspot_session", kept.value)
    assert thief.get("/account").status_code == 303
    with app.database.read() as session:
        assert session.scalars(select(WebSession)).all() == []


def test_session_ends_after_two_weeks(app: WeakspotApp, technician: Visitor) -> None:
    app.now = lambda: NOW + timedelta(days=14)  # type: ignore[method-assign]
    assert technician.get("/account").status_code == 303


def test_cookie_that_was_changed_is_worth_nothing(app: WeakspotApp) -> None:
    forged = app.test_client()
    forged.set_cookie("weakspot_session", "eyJrZXkiOiJ4In0.Zx.Zx")
    assert forged.get("/account").status_code == 303


def test_form_without_its_token_is_refused(technician: Visitor) -> None:
    for data in ({}, {"csrf_token": "made up"}):
        answer = technician.http.post("/account/language", data=data)
        assert answer.status_code == 400
        assert answer.mimetype == "text/html"


def test_link_sets_a_password_once(app: WeakspotApp, stranger: Visitor) -> None:
    with app.database.write() as session:
        shop = get_or_create_shop(session, "The Cog & Gasket", now=NOW)
        key = password_link(session, add_member(session, shop.id, "mara@gasket.example", "owner", now=NOW), now=NOW)
    path = f"/set-password/{key}"
    short = stranger.post(path, {"password": "short", "password_again": "short"}, shown_at=path)
    assert short.status_code == 422 and "at least 12 characters" in short.get_data(as_text=True)
    unlike = stranger.post(path, {"password": PASSWORD, "password_again": "other"}, shown_at=path)
    assert unlike.status_code == 422 and "not the same" in unlike.get_data(as_text=True)
    assert stranger.post(path, {"password": PASSWORD, "password_again": PASSWORD}, shown_at=path).status_code == 303
    assert stranger.get("/account").status_code == 200
    assert stranger.get(path).status_code == 404
    assert Visitor(app.test_client()).sign_in("mara@gasket.example").status_code == 303


def test_link_ends_after_three_days(app: WeakspotApp, stranger: Visitor) -> None:
    with app.database.write() as session:
        shop = get_or_create_shop(session, "The Cog & Gasket", now=NOW)
        key = password_link(session, add_member(session, shop.id, "mara@gasket.example", "owner", now=NOW), now=NOW)
    app.now = lambda: NOW + timedelta(days=3)  # type: ignore[method-assign]
    assert stranger.get(f"/set-password/{key}").status_code == 404


def test_changing_the_password_signs_other_browsers_out(app: WeakspotApp, technician: Visitor) -> None:
    other = Visitor(app.test_client())
    other.sign_in(technician.login)
    fresh = "another quiet lane"
    form = {"old_password": "not it at all", "password": fresh, "password_again": fresh}
    assert technician.post("/account/password", form).status_code == 422
    assert technician.post("/account/password", {**form, "old_password": PASSWORD}).status_code == 303
    assert technician.get("/account").status_code == 200
    assert other.get("/account").status_code == 303
    assert other.sign_in(technician.login).status_code == 422
    assert other.sign_in(technician.login, fresh).status_code == 303


def test_passwords_are_kept_as_argon2id_of_rfc_9106(app: WeakspotApp, monkeypatch: pytest.MonkeyPatch) -> None:
    # RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    monkeypatch.setattr("service.people.passwords.HASHER", PasswordHasher())
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician")
    with app.database.read() as session:
        kept = session.scalar(select(Person.password_hash)) or ""
    _, kind, version, parameters, salt, tag = kept.split("$")
    assert (kind, version, parameters) == ("argon2id", "v=19", "m=65536,t=3,p=4")
    assert (len(salt) * 6 // 8, len(tag) * 6 // 8) == (16, 32)


def test_session_key_is_kept_as_a_digest(app: WeakspotApp, technician: Visitor) -> None:
    cookie = technician.http.get_cookie("weakspot_session")
    assert cookie is not None
    key = app.session_interface.get_signing_serializer(app).loads(cookie.value)["key"]  # type: ignore[attr-defined]
    with app.database.read() as session:
        assert session.scalar(select(WebSession.digest)) == hashlib.sha256(key.encode()).digest()
    assert json.dumps(key) not in repr(cookie)


def test_role_taken_away_is_gone_at_the_next_page(app: WeakspotApp, visit: Callable[..., Visitor]) -> None:
    visitor = visit("technician")
    with app.database.write() as session:
        person = person_named(session, visitor.login)
        assert person is not None
        remove_member(session, visitor.shop_id, person.id)
    assert "belong to no shop" in visitor.get("/account").get_data(as_text=True)
