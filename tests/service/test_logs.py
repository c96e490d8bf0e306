"""Logs: one event a line, the request's id in it, and no secret whatever way it came."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator

import pytest
import structlog

from service.app import WeakspotApp
from service.logs import configure_logs, scrub_text
from service.request_log import request_secrets
from tests.service.callers import Caller

CANARY = "wsp_canary0123456789abcdefABCDEF"


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    root = logging.getLogger()
    kept, level = list(root.handlers), root.level
    stream = io.StringIO()
    configure_logs("JSON", "INFO", secrets=request_secrets, stream=stream)
    yield stream
    root.handlers[:], root.level = kept, level
    structlog.contextvars.clear_contextvars()


def events(stream: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


@pytest.mark.parametrize(
    "text",
    [
        f"token {CANARY} refused",
        "Authorization: Bearer swordfish-and-more",
        "postgresql://keeper:swordfish@db/records does not answer",
        'cannot read {"password": "swordfish is it", "shop": 1}',
        "form was password=swordfish&name=x",
        "ERROR: duplicate key\nDETAIL:  Key (name)=(swordfish) already exists.",
        "Cookie: session=swordfish",
    ],
)
def test_secrets_are_taken_out_of_texts(text: str) -> None:
    cleaned = scrub_text(text)
    assert "swordfish" not in cleaned and CANARY not in cleaned
    assert "[removed]" in cleaned


def test_harmless_texts_stay_as_they_are() -> None:
    text = "imported 12 lines of job-card 4711 in 0.3 s: http://localhost:8080/api/v1/docs"
    assert scrub_text(text) == text


def test_a_request_is_one_line_with_its_id(app: WeakspotApp, gasket: Caller, lines: io.StringIO) -> None:
    answer = gasket.get("/api/v1/machines?reference=PLATE-1", headers={"X-Request-ID": "visit-17"})
    (event,) = events(lines)
    assert answer.headers["X-Request-ID"] == "visit-17"
    assert event["request_id"] == "visit-17"
    assert (event["method"], event["route"], event["status"]) == ("GET", "/api/v1/machines", 200)
    assert event["shop"] == gasket.shop_id
    assert {"timestamp", "level", "logger", "milliseconds"} <= set(event)
    assert "PLATE-1" not in lines.getvalue() and gasket.token not in lines.getvalue()


@pytest.mark.parametrize("given", ["two\nlines", "x" * 65, "<script>", ""])
def test_an_id_that_cannot_be_used_is_replaced(gasket: Caller, given: str) -> None:
    headers = {"X-Request-ID": given} if "\n" not in given else {"X-Request-ID": "two lines"}
    answer = gasket.get("/api/v1/machines", headers=headers)
    assert len(answer.headers["X-Request-ID"]) == 32


def test_an_unexpected_error_is_logged_without_what_the_request_held_secret(
    app: WeakspotApp, gasket: Caller, lines: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble() -> None:
        raise RuntimeError(f"could not use {gasket.token} with ladybird42 and sessionid77")

    monkeypatch.setattr(app, "today", stumble)
    body = {"machine": {"make": "Tindrake", "model": "x", "model_year": 2012}, "password": "ladybird42"}
    gasket.http.set_cookie("session", "sessionid77")
    gasket.post("/api/v1/rankings", json={**body})
    monkeypatch.setattr("service.auth._holder_of", stumble_with(gasket.token))
    assert gasket.post("/api/v1/rankings", json=body).status_code == 500
    said = lines.getvalue()
    assert "Traceback" in said
    assert not any(secret in said for secret in (gasket.token, "ladybird42", "sessionid77"))


def stumble_with(token: str) -> object:
    def stumble(*_: object) -> None:
        raise RuntimeError(f"token {token[:30]}, cookie sessionid77")

    return stumble


def test_console_form_is_one_line_too(lines: io.StringIO) -> None:
    stream = io.StringIO()
    configure_logs("CONSOLE", "INFO", stream=stream)
    logging.getLogger("other").warning("all %s", "well")
    logging.getLogger("other").debug("not wanted")
    assert stream.getvalue().count("\n") == 1 and "all well" in stream.getvalue()
