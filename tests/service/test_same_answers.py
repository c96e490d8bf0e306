"""One script of requests, the same on every engine: the answers are equal byte for byte.

Ids are masked by the order in which they appear, so that what refers to what is compared too; so are tokens and the
pseudonyms made from ids. Every operation of the OpenAPI document that reads is asked, but for PDFs and the description
itself; most of what writes is in the script.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest

from service.app import WeakspotApp
from service.fitting import refit
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.inspection_cases import FREE, LANNER, charging
from tests.service.job_files import csv_file, row, seen
from tests.service.test_api_people import with_scope
from tests.service.test_photos import png

pytestmark = pytest.mark.xdist_group("engines compared")  # in one process, which sees the answers of both
API = "/api/v1"
SAID = {"by": "A. Person", "why": "seen on the day"}
ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
MASKED = (
    (re.compile(r"wsp_[\w-]+"), "a token"),
    (re.compile(r'"[0-9a-f]{12}"'), '"a pseudonym"'),  # of a shop in the pool: made from its id
)
QUERIES = {"/plates": "?plate=VD12345", "/components/{component}/risk": "?make=Tindrake&model=Lanner%20650",
           "/machines/{machine_id}/ranking": "?as_of=2022-06-01", "/pull-list": "?hours=8"}  # fmt: skip
BINARY = ("application/pdf", "image/png")
ANSWERS: dict[str, list[Answer]] = {}  # by engine


class Answer(NamedTuple):
    """What came back."""

    asked: str
    status: int
    media_type: str
    body: str


class Script:
    """Sends requests and keeps what came back, masked."""

    def __init__(self, caller: Caller) -> None:
        self.caller = caller
        self.answers: list[Answer] = []
        self._ids: dict[str, str] = {}

    def masked(self, text: str) -> str:
        text = ID.sub(lambda found: self._ids.setdefault(found[0], f"id {len(self._ids) + 1}"), text)
        for pattern, instead in MASKED:
            text = pattern.sub(instead, text)
        return text

    def send(self, method: str, path: str, wanted: int | None = None, **options: Any) -> Any:
        """One request; its document. `wanted` is the status it must have, or the first figure of it."""
        headers = {"If-Match": "*"} if method in ("PUT", "PATCH", "DELETE") else {}
        response = self.caller.send(method, API + path, headers=headers, **options)
        assert wanted in (None, response.status_code, response.status_code // 100), (method, path, response.text)
        assert response.status_code < 500, (method, path, response.text)
        body = "" if response.mimetype in BINARY else self.masked(response.text)
        self.answers.append(
            Answer(self.masked(f"{method} {path}"), response.status_code, response.mimetype or "", body)
        )
        return response.get_json(silent=True)

    def post(self, path: str, wanted: Any = 2, **body: Any) -> Any:
        return self.send("POST", path, wanted, json=body)


def cards(script: Script) -> dict[str, str]:
    """Lines in every way there is, with what is said beside them; ids for the readers."""
    rows = [row(), row(card="2", date="2020-01-01", odometer="20000"), row(card="3", component="reg thing"),
            seen("4", "2021-01-01", "31000")]  # fmt: skip
    for data, status in ((csv_file(rows), 2), (csv_file(rows), 2), (b"nonsense", 422)):
        script.send("POST", "/imports", status, data={"file": (io.BytesIO(data), "cards.csv")})
    line = script.post("/job-lines", **row(card="5", date="2022-01-01", odometer="33000"))
    machine, first = line["machine"], line["id"]
    script.post("/job-lines/bulk", lines=[row(card="6", date="2022-02-01", odometer="33500", component="stator")])
    script.post("/card-texts", card="9", machine=row()["machine"], date="2022-03-01", lines=["reg renewed 1.3.22", "?"])
    script.post("/job-lines", 422, **row(card="10", odometer="NaN"))
    script.post("/job-lines", 422, **row(card="10", colour="blue"))
    corrected = script.post(f"/job-lines/{first}/corrections", **SAID, changes={"odometer": "33100"})
    script.post(f"/job-lines/{first}/corrections", 409, **SAID, changes={"odometer": "33200"})
    link = script.post(f"/job-lines/{corrected['line']['id']}/links", **SAID, kind="withdrawn")
    script.post(f"/job-lines/links/{link['id']}/undo", **SAID)
    script.post(f"/job-lines/{first}/dates", by="A", event="failed", date="2021-12")
    listed = script.send("GET", "/reviews", 200)["doubts"]
    script.post("/reviews/answers", **SAID, answers=[{"doubt": listed[0]["id"], "choice": "as_written"}])
    said = {"by": "A", "why": "said so"}
    script.post(f"/machines/{machine}/plates", by="A", plate="VD 12-345")
    script.post(f"/machines/{machine}/engine-hours", **said, km_per_hour=25)
    change = script.post(f"/machines/{machine}/engine-changes", **said, changed_on="2021-06-01")
    script.post(f"/machines/{machine}/engine-changes/{change['id']}/undo", by="A")
    script.post("/policies", **said, component="battery", every_months=48, in_force_from="2019-01-01")
    script.post("/machine-joins/agreement", **said)
    script.post("/machine-joins/agreement/end", **said)
    return {"machine_id": machine, "line_id": first}


def visit(script: Script, machine: str) -> dict[str, str]:
    """An inspection with all it can have."""
    made = script.post("/inspections", machine_id=machine, **FREE)
    where = f"/inspections/{made['id']}"
    script.post(f"{where}/findings", **charging(12.9))
    script.post(f"{where}/findings", 422, check="T99", readings=[])
    photo = script.send("POST", f"{where}/photos", 2, data={"photo": (io.BytesIO(png()), "a.png")})
    script.post(f"{where}/outcomes", component="battery", really_bad=True)
    script.send("GET", f"{where}/plan.html")
    script.send("POST", f"{where}/close", json={})
    return {"inspection_id": made["id"], "photo_id": photo["id"]}


def shop(script: Script) -> dict[str, str]:
    """Prices, limits, people, tokens, the pool, work asked for."""
    script.send("PUT", "/prices", json={"currency": "EUR", "hourly_rate": "72.50", "parts": []})
    script.send("PUT", "/import-settings", json={"date_order": "dmy"})
    script.send("POST", "/limits/T03-01/versions", json={
        "make": "Tindrake", "model": "Lanner 650", "pass_low": 13.5, "editor": "A", "reason": "manual",
        "source": "manual"})  # fmt: skip
    machine = {"machine": LANNER, "as_of": "2026-06-01"}
    script.post("/rankings", 200, **machine)
    script.post("/rankings", 200, **machine, symptoms=[{"id": "S01"}])
    script.post("/plans", 200, **machine, **FREE)
    script.post("/bills", 200, **machine, found_bad=[{"component": "tyre"}])
    script.post("/measurements/judge", 200, **charging(12.9))
    script.send("POST", "/tokens", json={"label": "scales", "scope": "read"})
    script.send("POST", "/people", json={"login": "odo", "name": "Odo", "role": "reader"})
    script.send("POST", "/pool/membership", json={"sharing": False, "why": "sold"})
    job = script.post("/fits", 202, component="stator")
    script.post("/backtests", 202, as_of="2021-01-01")
    script.post("/fits", 422, component="flux")
    return {"job_id": job["id"]}


def readers(document: dict[str, Any], ids: dict[str, str]) -> Iterator[str]:
    """Every path that can be read, with ids of this script; what the script has none of gets one of nothing."""
    nothing = "01890a5d-ac96-774b-bcce-b302099a8057"
    known = {"component": "regulator_rectifier", "check_id": "T03", "limit_id": "T03-01", "order_id": "R01", **ids}
    for path, item in document["paths"].items():
        if "get" in item:
            short = path.removeprefix(API)
            yield re.sub(r"{(\w+)}", lambda m: known.get(m[1], nothing), short) + QUERIES.get(short, "")


def test_same_script_same_answers(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    script = Script(with_scope(app, gasket.shop_id, "admin"))
    ids = cards(script)
    refit(app.database, pool_open=True, now=NOW)
    ids |= visit(script, ids["machine_id"]) | shop(script)
    document = app.test_client().get(f"{API}/openapi.json").get_json()
    for path in readers(document, ids):
        if not path.endswith(("/openapi.json", "/docs", ".pdf")):
            script.send("GET", path)
    strange = Script(arches)
    for name in ("machines", "job-lines", "inspections", "imports"):
        strange.send("GET", f"/{name}/{ids['machine_id']}")
    answers = script.answers + strange.answers
    written = {re.sub(r"/id \d+", "/id", a.asked) for a in answers if a.asked.startswith("POST")}
    print(f"{len(answers)} requests, {len(written)} that write, statuses {sorted({a.status for a in answers})}")
    assert len(answers) > 100 and len(written) >= 30
    ANSWERS[app.database.engine.dialect.name] = answers
    one, *others = ANSWERS.values()
    for other in others:
        differing = [(a, b) for a, b in zip(one, other, strict=True) if a != b]
        assert differing == [], json.dumps(differing[:3], indent=1)[:4000]
