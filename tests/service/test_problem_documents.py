"""Every error is a problem document (RFC 9457), and no input whatever makes the server stumble."""

from __future__ import annotations

import json
from typing import Any

import pytest
from werkzeug.test import TestResponse

from service.app import WeakspotApp
from tests.service.callers import Caller

# Reason phrases of RFC 9110, section 15: what RFC 9457, section 4.2.1, wants as title of an about:blank problem.
PHRASES = {
    400: "Bad Request",
    401: "Unauthorized",
    404: "Not Found",
    405: "Method Not Allowed",
    413: "Content Too Large",
    415: "Unsupported Media Type",
    422: "Unprocessable Content",
    500: "Internal Server Error",
}
ASKED: dict[str, Any] = {
    "machine": {"make": "Marrowby", "model": "Parson 800", "model_year": 2012},
    "horizon": {"months": 12},
}


def problem(response: TestResponse, status: int) -> dict[str, Any]:
    """The document of a refusal, its obligatory members checked."""
    assert response.status_code == status, response.text[:300]
    assert response.mimetype == "application/problem+json"
    document: dict[str, Any] = json.loads(response.data)
    assert (document["type"], document["title"], document["status"]) == ("about:blank", PHRASES[status], status)
    assert document["detail"]
    return document


def ask(asker: Caller, body: bytes | str, content_type: str = "application/json") -> TestResponse:
    return asker.post("/api/v1/rankings", data=body, content_type=content_type)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "Expecting value"),
        (b"{", "line 1 column 2"),
        (b"\xff\xfe", "byte 0 is not UTF-8"),
        # RFC 8259, section 8.1: UTF-8; RFC 3629, section 3: no surrogates in it.
        (b'{"machine": "\xed\xa0\x80"}', "is not UTF-8"),
        (b'{"level": NaN}', "NaN is not a JSON number"),
        (b'{"level": -Infinity}', "-Infinity is not a JSON number"),
        (b'{"level": ' + b"9" * 5000 + b"}", "more than 300 digits"),
        (b'{"machine": {"make": "\\ud800"}}', "half of a surrogate pair"),
        (b'{"machine": {"make": "\\u0000"}}', "holds NUL"),
        (b'{"\\udfff": 1}', "half of a surrogate pair"),
        (b"[" * 100_000 + b"]" * 100_000, "nested too deeply"),
        (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "nested too deeply"),
    ],
)
def test_body_that_is_not_json(asker: Caller, body: bytes, said: str) -> None:
    assert said in problem(ask(asker, body), 400)["detail"]


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "application/octet-stream", ""])
def test_body_of_another_media_type(asker: Caller, kind: str) -> None:
    assert "application/json" in problem(ask(asker, json.dumps(ASKED), kind), 415)["detail"]


def test_import_that_is_not_a_form(asker: Caller) -> None:
    response = asker.post("/api/v1/imports", data=b"card,date", content_type="text/csv")
    assert "multipart/form-data" in problem(response, 415)["detail"]


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"level": "0.9"}, "/level"),
        ({"level": True}, "/level"),
        ({"level": 0.4}, "/level"),
        ({"level": float("1e300")}, "/level"),
        ({"machine": None}, "/machine"),
        ({"machine": {**ASKED["machine"], "model_year": 2012.5}}, "/machine/model_year"),
        ({"machine": {"make": "Marrowby", "model": "Parson 800"}}, "/machine/odometer"),
        ({"machine": {**ASKED["machine"], "odometer": {"value": "12", "unit": "km"}}}, "/machine/odometer/value"),
        ({"machine": {**ASKED["machine"], "odometer": {"value": -1, "unit": "km"}}}, "/machine/odometer/value"),
        ({"machine": {**ASKED["machine"], "odometer": {"value": 1}}}, "/machine/odometer/unit"),
        ({"machine": {**ASKED["machine"], "odometer": {"value": 1, "unit": "league"}}}, "/machine/odometer/unit"),
        ({"machine": {**ASKED["machine"], "built": "2012-13"}}, "/machine/built"),
        ({"machine": {**ASKED["machine"], "make": "two\nlines"}}, "/machine/make"),
        ({"horizon": {}}, "/horizon/distance"),
        ({"history": "stator"}, "/history"),
        ({"history": [{"component": "stator", "action": "polished"}]}, "/history/0/action"),
        ({"history": [{"component": "flux_pump", "action": "renewed"}]}, "/history/0/component"),
        ({"as_of": "tomorrow"}, "/as_of"),
        ({"wish": 1}, "/wish"),
        ({"a/b~c": 1}, "/a~1b~0c"),  # RFC 6901, section 3
    ],
)
def test_pointer_to_what_is_wrong(asker: Caller, changed: dict[str, Any], pointer: str) -> None:
    document = problem(ask(asker, json.dumps({**ASKED, **changed})), 422)
    assert [error["pointer"] for error in document["errors"]] == [pointer]
    assert document["errors"][0]["detail"]


@pytest.mark.parametrize("body", ["[]", "null", "12", '"text"'])
def test_document_that_is_no_object(asker: Caller, body: str) -> None:
    assert problem(ask(asker, body), 422)["errors"][0]["pointer"] == ""


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=x", "limit=201", "after=x", "reference=%00", "reference=", "model=a%0Ab", "modell=x"]
)
def test_query_that_is_not_described(asker: Caller, query: str) -> None:
    name = query.split("=", maxsplit=1)[0]
    document = problem(asker.get(f"/api/v1/machines?{query}"), 422)
    assert [error["pointer"] for error in document["errors"]] == [f"/{name}"]


@pytest.mark.parametrize("path", ["/nothing", "/api/v1/nothing", "/api/v1/machines/12", "/static/nothing.css"])
def test_unknown_route(asker: Caller, path: str) -> None:
    problem(asker.get(path, headers={"Accept": "application/json"}), 404)


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [("DELETE", "/api/v1/machines", {"GET", "HEAD", "OPTIONS"}), ("GET", "/api/v1/rankings", {"POST", "OPTIONS"})],
)
def test_method_not_allowed_names_those_that_are(asker: Caller, method: str, path: str, allowed: set[str]) -> None:
    response = asker.send(method, path)
    problem(response, 405)
    assert set(response.headers["Allow"].split(", ")) == allowed  # RFC 9110, section 15.5.6


def test_body_too_large(asker: Caller) -> None:
    document = problem(ask(asker, b" " * (1024**2 + 1)), 413)
    assert "1 MB" in document["detail"]
    form = b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n' + b"x" * 1024**2
    problem(asker.post("/api/v1/imports", data=form, content_type="multipart/form-data; boundary=x"), 413)


def test_unexpected_error_tells_nothing(
    shared_app: WeakspotApp, asker: Caller, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def stumble() -> None:
        raise RuntimeError("password is swordfish")

    monkeypatch.setattr(shared_app, "today", stumble)
    response = ask(asker, json.dumps(ASKED))
    problem(response, 500)
    assert "swordfish" not in response.text
    assert "swordfish" in caplog.text
