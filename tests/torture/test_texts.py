"""A corpus in every text field: no error of the server's, kept to the byte or refused, alike on both engines."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.inspection_cases import FREE, LANNER, charging
from tests.service.job_files import row
from tests.torture.corpus import TEXTS
from tests.torture.records import API, SAID, fill, ok

Path = tuple[str | int, ...]
ANSWERS: dict[str, list[tuple[str, Any, str, int, str]]] = {}  # by engine
SHORT = TEXTS[::8]
ALWAYS = ("\x00", "\ud800", "' OR '1'='1", "<script>alert(1)</script>")


class Case(NamedTuple):
    """A request with texts in it, and where what it wrote is read again, if it writes."""

    method: str
    path: str
    body: dict[str, Any]
    read_again: Callable[[Any], str] | None = None


def cases(caller: Caller) -> Iterator[Case]:
    """Every operation that takes a body with texts, with one that is good."""
    machine = ok(caller.get(f"{API}/machines"))["machines"][0]["id"]
    visit = ok(caller.post(f"{API}/inspections", json={"machine_id": machine, **FREE}))["id"]
    lines = ok(caller.get(f"{API}/job-lines"))["lines"]
    doubt = ok(caller.get(f"{API}/reviews"))["doubts"][0]["id"]
    where, line = f"{API}/inspections/{visit}", lines[0]["id"]
    history = {"component": "stator", "position": None, "action": "renewed", "date": "2024-05-01"}
    yield Case("POST", f"{API}/job-lines", row(notes="n", position="left", family="LC"),
               lambda made: f"{API}/job-lines/{made['id']}")  # fmt: skip
    yield Case("POST", f"{API}/job-lines/bulk", {"lines": [row(notes="n")]},
               lambda made: f"{API}/job-lines/{made['lines'][0]['id']}")  # fmt: skip
    yield Case("POST", f"{API}/card-texts", {"card": "9", "machine": row()["machine"], "lines": ["reg renewed 1.3.24"]})
    yield Case("POST", f"{API}/rankings", {"machine": LANNER, "as_of": "2026-06-01", "history": [history]})
    yield Case("POST", f"{API}/plans", {"machine": LANNER, "as_of": "2026-06-01", **FREE})
    yield Case("POST", f"{API}/bills", {"machine": LANNER, "as_of": "2026-06-01", "found_bad": [{"component": "tyre"}]})
    yield Case("POST", f"{API}/measurements/judge", charging(12.9))
    yield Case("POST", f"{API}/inspections", {"machine": LANNER, "notes": "n", "people": ["A. Person"], **FREE},
               lambda made: f"{API}/inspections/{made['id']}")  # fmt: skip
    yield Case("POST", f"{where}/findings", {**charging(12.9), "note": "n"}, lambda made: where)
    yield Case("POST", f"{where}/outcomes", {"component": "battery", "really_bad": True, "note": "n"})
    yield Case("POST", f"{API}/reviews/answers", {**SAID, "answers": [{"doubt": doubt, "choice": "as_written"}]})
    yield Case("POST", f"{API}/job-lines/{line}/corrections", {**SAID, "changes": {"notes": "n", "odometer": "23100"}})
    yield Case("POST", f"{API}/job-lines/{line}/links", {**SAID, "kind": "withdrawn"})
    yield Case("POST", f"{API}/limits/T03-01/versions",
               {"make": "Tindrake", "model": "Lanner 650", "pass_low": 13.5, "editor": "A. Person", "reason": "manual",
                "source": "manual"})  # fmt: skip
    yield Case("PUT", f"{API}/prices", {"currency": "EUR", "hourly_rate": "72.50", "parts": [
        {"component": "tyre", "price": "145.00"}]}, lambda made: f"{API}/prices")  # fmt: skip


def texts_in(body: Any, path: Path = ()) -> Iterator[Path]:
    """Where texts stand in a body."""
    if isinstance(body, str):
        yield path
    elif isinstance(body, dict):
        for name, value in body.items():
            yield from texts_in(value, (*path, name))
    elif isinstance(body, list):
        for place, value in enumerate(body):
            yield from texts_in(value, (*path, place))


def changed(body: Any, path: Path, text: str) -> Any:
    """The body with another text at one place."""
    if not path:
        return text
    if isinstance(body, dict):
        return {k: changed(v, path[1:], text) if k == path[0] else v for k, v in body.items()}
    return [changed(v, path[1:], text) if k == path[0] else v for k, v in enumerate(body)]


def send(caller: Caller, case: Case, body: Any) -> Any:
    return caller.send(case.method, case.path, data=json.dumps(body), content_type="application/json",
                       headers={"If-Match": "*"})  # fmt: skip


def leaves(document: Any) -> Iterator[str]:
    if isinstance(document, str):
        yield document
    elif isinstance(document, dict):
        for value in document.values():
            yield from leaves(value)
    elif isinstance(document, list):
        for value in document:
            yield from leaves(value)


def test_corpus_in_every_text_field(app: WeakspotApp, gasket: Caller, torture: bool) -> None:
    fill(gasket)
    engine = app.database.engine.dialect.name
    found: list[tuple[str, Any, str, int, str]] = []
    for case in cases(gasket):
        name = f"{case.method} {case.path.replace(API, '').split('/')[1]} {case.path.rsplit('/', 1)[1]}"
        for path in texts_in(case.body):
            for text in TEXTS if torture else ALWAYS:
                response = send(gasket, case, changed(case.body, path, text))
                assert response.status_code < 500, (name, path, text)
                document = response.get_json()
                pointers = sorted(error["pointer"] for error in document.get("errors", ()))
                found.append((name.split(" 0")[0], path, text, response.status_code, str(pointers)))
                if response.status_code < 300 and case.read_again is not None:
                    again = gasket.get(case.read_again(document)).get_json()
                    kept = {value for shown in (document, again) for value in leaves(shown)}
                    assert text in kept or name.startswith("PUT") or text.strip() in kept, (name, path, text)
    print(f"{engine}: {len(found)} requests, {sum(s < 300 for *_, s, _ in found)} taken, none an error of the server's")
    ANSWERS[engine] = [(n.split(" ")[0] + str(p), t[:20], "", s, e) for n, p, t, s, e in found]
    for other in ANSWERS.values():
        assert other == ANSWERS[engine]


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 100_000, b'{"a":' * 100_000, b"[" * 20_000 + b"]" * 20_000, b'{"machine": "\\ud800"}', b"", b"nul",
        b"\xff\xfe{}", b'{"machine": "\xed\xa0\x80"}', b"NaN", b'{"odometer": Infinity}', b'{"a": 1e999999}',
        b'{"machine": "\\u0000"}',
        b"9" * 5_000, b'{"machine": "x", "machine": "y"}', b"\xef\xbb\xbf{}",
    ],
)  # fmt: skip
def test_bodies_that_are_no_documents(gasket: Caller, body: bytes) -> None:
    for path in ("job-lines", "rankings", "card-texts", "inspections"):
        response = gasket.post(f"{API}/{path}", data=body, content_type="application/json")
        assert response.status_code in (400, 422), (path, body[:20])


def test_texts_in_addresses(gasket: Caller, torture: bool) -> None:
    for text in TEXTS if torture else SHORT:
        if "\ud800" <= text[:1] <= "\udfff":
            continue  # cannot be written in an address at all
        for path, name in (("machines", "reference"), ("machines", "model"), ("job-lines", "card"), ("limits", "check"),
                           ("machines", "after"), ("components/stator/risk", "make")):  # fmt: skip
            response = gasket.get(f"{API}/{path}", query_string={name: text})
            assert response.status_code in (200, 422), (path, name, text)
        response = gasket.get(f"{API}/components/{text}/risk", query_string={"make": "x", "model": "y"})
        assert response.status_code < 500
