"""Somebody with a browser, without one: a client that keeps its cookie and sends the forms it was shown."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from argon2 import PasswordHasher, profiles
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.app import WeakspotApp
from service.people.accounts import add_member, set_password
from service.records import get_or_create_shop
from tests.service.databases import NOW

PASSWORD = "quiet lanes at dusk"
QUICK = PasswordHasher.from_parameters(profiles.CHEAPEST)
TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')


@dataclass
class Visitor:
    """A client; `get` and `post` go where somebody would with a browser."""

    http: FlaskClient
    login: str = ""
    shop_id: int = 0

    def get(self, path: str, **options: Any) -> TestResponse:
        return self.http.get(path, **options)

    def post(
        self, path: str, data: dict[str, Any] | None = None, *, shown_at: str = "/account", **options: Any
    ) -> TestResponse:
        """Send a form with the CSRF token of the page it was shown on."""
        page = self.http.get(shown_at, follow_redirects=True).get_data(as_text=True)
        found = TOKEN.search(page)
        assert found, f"no form at {shown_at}"
        return self.http.post(path, data={"csrf_token": found[1], **(data or {})}, **options)

    def sign_in(self, login: str, password: str = PASSWORD, **more: Any) -> TestResponse:
        return self.post("/sign-in", {"name": login, "password": password, **more}, shown_at="/sign-in")


def make_person(app: WeakspotApp, shop: str, login: str, role: str, password: str | None = PASSWORD) -> int:
    """Somebody with a role in a shop, which is made if it is new; gives back the shop's key."""
    with app.database.write() as session:
        row = get_or_create_shop(session, shop, now=NOW)
        person = add_member(session, row.id, login, role, now=NOW)
        if password is not None:
            set_password(session, person, password)
        return row.id


def make_visitor(app: WeakspotApp, shop: str, login: str, role: str) -> Visitor:
    """Somebody signed in."""
    visitor = Visitor(app.test_client(), login, make_person(app, shop, login, role))
    assert visitor.sign_in(login).status_code == 303
    return visitor
