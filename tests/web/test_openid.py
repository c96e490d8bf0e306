"""Signing in with OpenID Connect, against a provider that runs here (OpenID Connect Core 1.0, section 3.1)."""

from __future__ import annotations

import base64
import hashlib
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from flask import Flask, jsonify, redirect, request
from joserfc import jwt
from joserfc.jwk import RSAKey
from werkzeug.serving import make_server
from werkzeug.test import TestResponse

from service.app import WeakspotApp, build_app
from service.db import Database
from service.settings import Settings
from tests.service.databases import NOW
from tests.web.browsers import Silent
from tests.web.people import Visitor, make_person

CLIENT, SECRET = "weakspot", "a secret between the two"
KEY, OTHER_KEY = (RSAKey.generate_key(2048, {"kid": "one", "use": "sig"}) for _ in range(2))


@dataclass
class Provider:
    """A provider; `says` changes what its next ID token claims."""

    issuer: str = ""
    says: dict[str, Any] = field(default_factory=dict)
    key: Any = field(default_factory=lambda: KEY)
    asked: dict[str, str] = field(default_factory=dict)
    about: Any = None  # what it says of itself, where that is of no use

    def token(self) -> str:
        now = int(time.time())
        claims = {
            "iss": self.issuer,
            "aud": CLIENT,
            "sub": "person-17",
            "iat": now,
            "exp": now + 300,
            "nonce": self.asked.get("nonce"),
            "email": "mara@gasket.example",
            "email_verified": True,
        }
        return jwt.encode({"alg": "RS256", "kid": "one"}, {**claims, **self.says}, self.key)


def pages_of(provider: Provider) -> Flask:
    pages = Flask("provider")

    @pages.get("/.well-known/openid-configuration")
    def about() -> Any:
        if provider.about is not None:
            return jsonify(provider.about)
        base = provider.issuer
        ends = {"authorization_endpoint": "authorize", "token_endpoint": "token", "jwks_uri": "jwks"}
        return jsonify(
            issuer=base, id_token_signing_alg_values_supported=["RS256"], **{k: f"{base}/{v}" for k, v in ends.items()}
        )

    @pages.get("/authorize")
    def authorize() -> Any:
        provider.asked = request.args.to_dict()
        return redirect(f"{request.args['redirect_uri']}?code=a-code&state={request.args['state']}")

    @pages.post("/token")
    def token() -> Any:
        shown = hashlib.sha256(request.form["code_verifier"].encode()).digest()
        # RFC 7636, section 4.6: the verifier must give the challenge.
        assert base64.urlsafe_b64encode(shown).rstrip(b"=").decode() == provider.asked["code_challenge"]
        assert request.authorization is not None
        assert (request.authorization.username, request.authorization.password) == (CLIENT, SECRET)
        return jsonify(access_token="access", token_type="Bearer", expires_in=300, id_token=provider.token())

    @pages.get("/jwks")
    def jwks() -> Any:
        return jsonify(keys=[KEY.as_dict(private=False)])

    return pages


@pytest.fixture
def provider() -> Iterator[Provider]:
    made = Provider()
    server = make_server("127.0.0.1", 0, pages_of(made), threaded=True, request_handler=Silent)
    made.issuer = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield made
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def joined(database: Database, provider: Provider) -> WeakspotApp:
    settings = Settings(
        database_url=database.url,
        requests_per_minute=0,
        refusals_per_minute=0,
        oidc_issuer=provider.issuer,
        oidc_client_id=CLIENT,
        oidc_client_secret=SECRET,
        oidc_name="Lane ID",
    )
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    make_person(app, "The Cog & Gasket", "mara@gasket.example", "technician", password=None)
    return app


def go_round(visitor: Visitor, wanted: str = "/account") -> TestResponse:
    """To the provider and back, as a browser goes."""
    import requests

    there = visitor.get(f"/sign-in/with?next={wanted}")
    assert there.status_code == 302
    answer = requests.get(there.location, allow_redirects=False, timeout=10)
    parts = urlsplit(answer.headers["Location"])
    assert parts.netloc == "localhost"
    return visitor.get(f"{parts.path}?{parts.query}")


def test_somebody_the_provider_vouches_for_is_signed_in(joined: WeakspotApp, provider: Provider) -> None:
    visitor = Visitor(joined.test_client())
    assert "Sign in with Lane ID" in visitor.get("/sign-in").get_data(as_text=True)
    answer = go_round(visitor)
    assert (answer.status_code, answer.location) == (303, "/account")
    assert "mara@gasket.example" in visitor.get("/account").get_data(as_text=True)
    asked = parse_qs(urlsplit("?" + "&".join(f"{k}={v}" for k, v in provider.asked.items())).query)
    assert {"nonce", "state", "code_challenge"} <= set(asked)
    # From now on the subject counts, whatever the address.
    provider.says = {"email": "mara@elsewhere.example"}
    assert go_round(Visitor(joined.test_client())).status_code == 303


@pytest.mark.parametrize(
    "says",
    [
        {"email": "nobody@gasket.example"},
        {"email_verified": False},
        {"email_verified": "true"},
        {"iss": "https://elsewhere.example"},
        {"aud": "another client"},
        {"exp": 1_000_000_000},
        {"nonce": "of another visit"},
        {"sub": ""},
    ],
)
def test_who_is_not_let_in(joined: WeakspotApp, provider: Provider, says: dict[str, Any]) -> None:
    provider.says = says
    visitor = Visitor(joined.test_client())
    assert go_round(visitor).status_code == 422
    assert visitor.get("/account").status_code == 303


def test_token_signed_by_another_key(joined: WeakspotApp, provider: Provider) -> None:
    provider.key = OTHER_KEY
    assert go_round(Visitor(joined.test_client())).status_code == 422


def test_an_account_that_is_tied_is_not_taken_over_by_its_address(joined: WeakspotApp, provider: Provider) -> None:
    assert go_round(Visitor(joined.test_client())).status_code == 303
    provider.says = {"sub": "somebody-else"}
    assert go_round(Visitor(joined.test_client())).status_code == 422


def test_coming_back_without_having_gone(joined: WeakspotApp) -> None:
    visitor = Visitor(joined.test_client())
    assert visitor.get("/sign-in/back?code=a-code&state=made-up").status_code == 422
    assert visitor.get("/sign-in/back?error=access_denied").status_code == 422


@pytest.mark.parametrize("about", [{}, [], "soon"])
def test_a_provider_that_does_not_say_where_to_go(joined: WeakspotApp, provider: Provider, about: Any) -> None:
    provider.about = about
    answer = Visitor(joined.test_client()).get("/sign-in/with")
    assert answer.status_code == 503
    assert "sign in with name and password" in answer.get_data(as_text=True)
    provider.about = None  # and back: nothing of it was kept
    assert go_round(Visitor(joined.test_client())).status_code == 303


def test_a_provider_that_does_not_answer(database: Database) -> None:
    settings = Settings(
        database_url=database.url,
        requests_per_minute=0,  # a limiter would have connections of its own
        refusals_per_minute=0,
        oidc_issuer="http://127.0.0.1:1",
        oidc_client_id=CLIENT,
    )
    assert Visitor(build_app(settings, database).test_client()).get("/sign-in/with").status_code == 503


def test_without_a_provider_there_is_nothing(stranger: Visitor) -> None:
    assert stranger.get("/sign-in/with").status_code == 404
    assert "Lane ID" not in stranger.get("/sign-in").get_data(as_text=True)
