"""A corpus in every text field: no error of the server's, kept to the byte or refused, alike on both engines."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from itertools import count
from typing import Any, NamedTuple
from urllib.parse import quote

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.inspection_cases import FREE, LANNER, charging
from tests.service.job_files import csv_file, row
from tests.torture.corpus import TEXTS
from tests.torture.records import API, SAID, fill, ok

pytestmark = pytest.mark.xdist_group("texts on both engines")  # in one process, which sees the answers of both
Path = tuple[str | int, ...]
Answered = tuple[str, Path, str, int, str]
ANSWERS: dict[str, list[Answered]] = {}  # by engine
FILES: dict[str, list[tuple[str, str, int]]] = {}
SHORT = TEXTS[::8]
AMOUNTS, AMOUNT = {"price", "hourly_rate"}, re.compile(r"\d+\.\d+", re.ASCII)
ALWAYS = ("\x00", "\ud800", "' OR '1'='1", "<script>alert(1)</script>")


class Case(NamedTuple):
    """A request with texts in it, and where what it wrote is read again, if it writes.

    What can be done once only, as a line is corrected once, is `anew` about another thing each time.
    """

    method: str
    path: str
    body: dict[str, Any]
    read_again: Callable[[Any], str] | None = None
    anew: Callable[[], Case] | None = None


def cases(caller: Caller) -> Iterator[Case]:
    """Every operation that takes a body with texts, with one that is good."""
    machine = ok(caller.get(f"{API}/machines"))["machines"][0]["id"]
    visit = ok(caller.post(f"{API}/inspections", json={"machine_id": machine, **FREE}))["id"]
    lines = ok(caller.get(f"{API}/job-lines"))["lines"]
    where = f"{API}/inspections/{visit}"
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
    yield from cases_done_once(caller)
    yield Case("POST", f"{API}/limits/T03-01/versions",
               {"make": "Tindrake", "model": "Lanner 650", "pass_low": 13.5, "editor": "A. Person", "why": "manual",
                "source": "manual"})  # fmt: skip
    yield from cases_beside_cards(caller, machine, lines[1]["id"])
    yield from cases_of_the_desk()
    yield Case("PUT", f"{API}/prices", {"currency": "EUR", "hourly_rate": "72.50", "parts": [
        {"component": "tyre", "price": "145.00"}]}, lambda made: f"{API}/prices")  # fmt: skip


def cases_done_once(caller: Caller) -> Iterator[Case]:
    """What is said of one line, one doubt or one link, each of a machine of its own."""
    number = count(1)

    def line() -> Any:
        card = f"once-{next(number)}"  # a word of its own too: answers teach the shop's words
        return ok(caller.post(f"{API}/job-lines", json=row(card=card, machine=card, component=f"thing {card}")))

    def correction() -> Case:
        return Case("POST", f"{API}/job-lines/{line()['id']}/corrections",
                    {**SAID, "changes": {"notes": "n", "odometer": "23100"}},
                    lambda made: f"{API}/job-lines/{made['line']['id']}")  # fmt: skip

    def answer() -> Case:
        about = line()
        part = {"doubt": about["doubts"][0]["id"], "choice": "part", "component": "stator", "position": ""}
        return Case("POST", f"{API}/reviews/answers", {**SAID, "answers": [part]},
                    lambda made: f"{API}/reviews?settled=true&machine={about['machine']}")  # fmt: skip

    def link() -> Case:
        about = line()["id"]
        return Case("POST", f"{API}/job-lines/{about}/links", {**SAID, "kind": "withdrawn"},
                    lambda made: f"{API}/job-lines/{about}")  # fmt: skip

    def undone() -> Case:
        about = link()
        made = ok(caller.post(about.path, json=about.body))["id"]
        return Case("POST", f"{API}/job-lines/links/{made}/undo", SAID, about.read_again)

    for make in (correction, answer, link, undone):
        yield make()._replace(anew=make)


def cases_beside_cards(caller: Caller, machine: str, line: str) -> Iterator[Case]:
    """What is said of machines, lines and the shop."""
    by, said = {"by": "A. Person"}, {"by": "A. Person", "why": "w"}
    where = f"{API}/machines/{machine}"
    engine = ok(caller.post(f"{where}/engine-changes", json={**said, "changed_on": "2021-05-01"}))["id"]
    yield Case(
        "POST", f"{where}/plates", {**by, "plate": "VD 1", "borne_from": "2020-01-01"}, lambda made: f"{where}/plates"
    )
    yield Case("POST", f"{API}/job-lines/{line}/dates", {**by, "event": "failed", "date": "2018-12"},
               lambda made: f"{API}/job-lines/{line}/dates")  # fmt: skip
    yield Case("POST", f"{API}/policies", {**said, "component": "stator", "every_km": 30_000,
               "in_force_from": "2018-01-01"}, lambda made: f"{API}/policies")  # fmt: skip
    yield Case("POST", f"{where}/engine-hours", {**said, "km_per_hour": 25})
    yield Case("POST", f"{where}/engine-changes", {**said, "changed_on": "2021-05-01", "family": "LC"},
               lambda made: f"{where}/engine-changes")  # fmt: skip
    yield Case("POST", f"{where}/engine-changes/{engine}/undo", by)
    yield Case("POST", f"{API}/machine-joins/agreement", said)
    yield Case("POST", f"{API}/machine-joins/agreement/end", said)
    for step in ("undo", "again"):
        yield Case("POST", f"{API}/machine-joins/{line}/{step}", said)


def cases_of_the_desk() -> Iterator[Case]:
    """People, tokens, settings, the pool, and what is worked out."""
    part = {"component": "tyre", "position": "front", "together": 10, "failure": 100}
    yield Case("POST", f"{API}/tokens", {"label": "bench", "scope": "read"}, lambda made: f"{API}/tokens")
    yield Case("POST", f"{API}/people", {"name": "ina@shop.example", "role": "reader"}, lambda made: f"{API}/people")
    yield Case("POST", f"{API}/pool/membership", {"sharing": True, "from": "2026-06-02", "why": "w"},
               lambda made: f"{API}/pool/membership")  # fmt: skip
    yield Case("POST", f"{API}/renewal-blocks", {"make": "Tindrake", "model": "Lanner 650", "clock": "km",
               "access_cost": 50, "parts": [part]})  # fmt: skip
    yield Case("POST", f"{API}/fits", {"component": "stator"})
    yield Case("POST", f"{API}/backtests", {"as_of": "2020-01-01", "known_at": "2026-01-01T00:00:00Z"})
    yield Case("PUT", f"{API}/import-settings", {"by": "A. Person", "columns": {"Km": "odometer"}, "date_order": "ymd",
               "decimal_mark": ".", "unit": "km", "currency": "EUR"})  # fmt: skip
    yield Case("PATCH", f"{API}/shop", {"unit": "km", "locale": "en_GB", "region": "Ellery Coast"})


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


def template(path: str) -> str:
    """An address without its ids."""
    path = re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}", "{}", path)
    return re.sub(r"/limits/[^/]+/", "/limits/{}/", path)


def test_no_text_field_is_forgotten(gasket: Caller) -> None:
    """Every operation of the description that takes a document is among the cases."""
    fill(gasket)
    paths = ok(gasket.get(f"{API}/openapi.json"))["paths"]
    described = {
        (method.upper(), re.sub(r"{[^}]+}", "{}", path))
        for path, operations in paths.items()
        for method, operation in operations.items()
        if method != "parameters" and "application/json" in operation.get("requestBody", {}).get("content", {})
    }
    assert {(case.method, template(case.path)) for case in cases(gasket)} == described


def test_corpus_in_every_text_field(app: WeakspotApp, gasket: Caller, torture: bool) -> None:
    fill(gasket)
    engine = app.database.engine.dialect.name
    found: list[Answered] = []
    for case in cases(gasket):
        for path in texts_in(case.body):
            for text in TEXTS if torture else ALWAYS:
                this = case.anew() if case.anew else case
                response = send(gasket, this, changed(this.body, path, text))
                assert response.status_code < 500, (this.path, path, text)
                document = response.get_json()
                pointers = sorted(error["pointer"] for error in document.get("errors", ()))
                found.append((template(this.path), path, text, response.status_code, str(pointers)))
                if response.status_code < 300 and this.read_again is not None:
                    assert kept(gasket, this, document, path, text), (this.path, path, text)
    print(f"{engine}: {len(found)} requests, {sum(s < 300 for *_, s, _ in found)} taken, none an error of the server's")
    ANSWERS[engine] = found
    for other in ANSWERS.values():
        assert other == ANSWERS[engine]


def kept(caller: Caller, case: Case, document: Any, path: Path, text: str) -> bool:
    """Whether a text that was taken is read again as it was sent; blanks around a cell mean nothing.

    An amount is a number: it is shown with as many places as its currency has.
    """
    assert case.read_again is not None
    shown = set(leaves(ok(caller.get(case.read_again(document)))))
    if path[-1] in AMOUNTS:
        return Decimal(text) in {Decimal(leaf) for leaf in shown if AMOUNT.fullmatch(leaf)}
    return text in shown or _as_cell(text) in {"", *map(_as_cell, shown)}


def _as_cell(text: str) -> str:
    """A text without what makes no other cell of it: blanks around it, and how a file ends its lines."""
    return text.strip().replace("\r\n", "\n")


def test_corpus_in_every_cell_of_a_file(app: WeakspotApp, gasket: Caller, torture: bool) -> None:
    """Files are answered alike on both engines, and a file that was taken comes out again as it went in."""
    engine, found = app.database.engine.dialect.name, []
    for column in ("card", "machine", "make", "model", "family", "component", "position", "notes", "date", "odometer"):
        for number, text in enumerate(TEXTS if torture else ALWAYS):
            cells = {"card": f"{column}-{number}", "machine": f"{column}-{number}", column: text}
            data = csv_file([row(**cells)]) if text.isprintable() else _as_bytes(cells)
            response = gasket.post(f"{API}/imports", data={"file": (io.BytesIO(data), "cards.csv")})
            assert response.status_code in (201, 400, 413, 422), (column, text, response.text)
            found.append((column, text, response.status_code))
    out = gasket.get(f"{API}/exports/job-lines.csv").data
    again = ok(gasket.post(f"{API}/imports", data={"file": (io.BytesIO(out), "again.csv")}))
    assert again["summary"]["lines_new"] == 0
    assert gasket.get(f"{API}/exports/job-lines.csv").data == out
    print(f"{engine}: {len(found)} files, {sum(status == 201 for *_, status in found)} taken")
    FILES[engine] = found
    for other in FILES.values():
        assert other == FILES[engine]


def _as_bytes(cells: dict[str, str]) -> bytes:
    good = csv_file([row(**{name: "@@" if not value.isprintable() else value for name, value in cells.items()})])
    (odd,) = (value for value in cells.values() if not value.isprintable())
    return good.replace(b"@@", b'"' + odd.encode("utf-8", "surrogatepass") + b'"')


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
        named = quote(text.replace("/", "|"), safe="")
        response = gasket.get(f"{API}/components/{named}/risk", query_string={"make": "x", "model": "y"})
        assert response.status_code < 500
