"""Every read answers as of a past moment, or says why not; and answers the same whatever was written since.

What has to take `known_at` is the requirement ("`known_at` on every read"), held against the OpenAPI document: an
operation that is new has to take it, or be placed here by hand with a reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from service import cli_context
from service.app import WeakspotApp
from service.cli import cli
from service.db import Database
from service.fitting import refit
from service.pool.publishing import publish
from service.pool.trail import COMMAND_LINE
from service.setup import load_layouts
from tests.service.callers import Caller, make_app, make_caller, make_command
from tests.service.databases import NOW
from tests.service.job_files import row, seen
from tests.service.pool_world import SHOPS, fill_pool
from tests.service.test_api_people import with_scope

CATALOGUE = "the catalogue as it is loaded: a release replaces the one before, whose documents are not kept"
TRAIL = "shows all that was ever said, each with its moment"
WRITES = "writes: what it answers is what it has just written"
NO_FACT = "no fact about machines, lines or estimates"
WITHOUT: dict[str, str] = {
    **dict.fromkeys(("get /checks", "get /symptoms", "get /facts", "get /work-orders", "get /components"), CATALOGUE),
    **dict.fromkeys(("get /job-lines/{line_id}", "get /machine-joins"), TRAIL),
    **dict.fromkeys(("get /machines/{machine_id}/engine-changes", "get /accesses", "get /pool/publications"), TRAIL),
    "get /inspections/{inspection_id}/photos/{photo_id}": "a photo is never changed",
    **dict.fromkeys(("get /jobs", "get /jobs/{job_id}", "get /tokens", "get /people"), NO_FACT),
    "get /shop": "settings, changed in place; what changed stands in the access log",
    "post /fits": "fits what is known now; what was fitted by a moment answers as of it, and a backtest fits anew",
    **dict.fromkeys(
        (
            "post /inspections", "post /inspections/{inspection_id}/findings", "post /pool/membership",
            "post /inspections/{inspection_id}/photos", "post /inspections/{inspection_id}/outcomes",
            "post /inspections/{inspection_id}/close", "post /limits/{limit_id}/versions", "post /pool/publications",
            "post /imports", "post /machines/{machine_id}/plates", "post /job-lines/{line_id}/dates", "post /policies",
            "post /machines/{machine_id}/engine-hours", "post /machines/{machine_id}/engine-changes",
            "post /machines/{machine_id}/engine-changes/{change_id}/undo", "post /machine-joins/agreement",
            "post /machine-joins/agreement/end", "post /machine-joins/{join_id}/undo",
            "post /machine-joins/{join_id}/again", "post /card-texts", "post /job-lines", "post /job-lines/bulk",
            "post /job-lines/{line_id}/corrections", "post /job-lines/{line_id}/links",
            "post /job-lines/links/{link_id}/undo", "post /reviews/answers", "post /tokens", "post /people",
        ),
        WRITES,
    ),
}  # fmt: skip


def operations(app: WeakspotApp) -> Iterator[tuple[str, bool]]:
    """Every reading and every asking operation, and whether it takes `known_at`."""
    document = app.test_client().get("/api/v1/openapi.json").get_json()
    schemas = document["components"]["schemas"]
    for path, item in document["paths"].items():
        for method in {"get", "post"} & item.keys():
            taken = {p.get("name") for p in [*item.get("parameters", ()), *item[method].get("parameters", ())]}
            for content in item[method].get("requestBody", {}).get("content", {}).values():
                taken |= schemas[content["schema"].get("$ref", "").rsplit("/", 1)[-1]]["properties"].keys()
            yield f"{method} {path.removeprefix('/api/v1')}", "known_at" in taken


def test_every_read_takes_known_at_or_says_why_not(app: WeakspotApp) -> None:
    found = dict(operations(app))
    assert {name for name, takes in found.items() if not takes} == set(WITHOUT)
    assert len(found) > 80


REGULATOR = "regulator_rectifier"
LANNER = {"make": "Tindrake", "model": "Lanner 650"}
DESCRIBED = {"machine": {**LANNER, "built": "2012-11", "odometer": {"value": 41000, "unit": "km"}}}
DAY = {"as_of": "2026-02-15"}
COSTS = {"planned": 200, "failure": 600}
# What each operation is asked, of the things that `things` names; those that are no question are in `NOT_ASKED`.
ASKED: dict[str, dict[str, Any]] = {
    "post /rankings": {**DESCRIBED, **DAY, "symptoms": [{"id": "S07"}]},
    "post /plans": {**DESCRIBED, **DAY},
    "post /bills": {**DESCRIBED, **DAY, "found_bad": [{"component": "stator"}]},
    "post /measurements/judge": {
        "check": "T03",
        "readings": [{"values": [{"value": 13.7}], "unit": "V"}],
        "machine": {**LANNER, "model_year": 2012},
    },
    "post /renewal-blocks": {
        **LANNER, "access_cost": 100, "parts": [{"component": REGULATOR, "together": 50, "failure": 300}]
    },
    "get /renewals/{component}": {**LANNER, **COSTS},
    "get /components/{component}/risk": LANNER,
    "get /work-orders/{order_id}": {**LANNER, "built": "2012-11", "months_stood": 18, **DAY},
    "get /fleet/intervals/{component}": {**DAY, "choice": "20000km"},
    "get /plates": {"plate": "VD 77 QX"},
    "get /machines/{machine_id}/ranking": DAY,
    **dict.fromkeys(("get /fleet/outlook", "get /spares/{component}", "get /fleet/pull-list"), DAY),
    **{name: {**DAY, "days": 900} for name in ("get /fleet/due", "get /fleet/due.csv", "get /fleet/due.ics")},
    "get /limits": {"region": "Germany"},
}  # fmt: skip
NOT_ASKED = {
    "post /backtests": "a job; tests/service/test_backtest_landmarks.py",
    "get /inspections/{inspection_id}/plan.pdf": "plan.html laid out; the file tells when it was made",
    "get /inspections/{inspection_id}/bill.pdf": "bill.html laid out; the file tells when it was made",
}
_SHOP, _LANNER = ("--shop", SHOPS[0]), ("--make", "Tindrake", "--model", "Lanner 650")
# The commands that read records, each with what it needs; the others write, or keep the service.
READING: dict[str, tuple[str, ...]] = {
    "ahead": _SHOP,
    "backtest": ("--as-of", "2019-01-01"),
    "changes": _SHOP,
    "compare": (REGULATOR, *_SHOP),
    "due": _SHOP,
    "export": _SHOP,
    "log-marks": _SHOP,
    "plan": (*_LANNER, "--built", "2012"),
    "pull": _SHOP,
    "rank": (*_SHOP, "--machine", "0-0"),
    "recommission": (*_LANNER, "--built", "2012"),
    "renew": (REGULATOR, *_SHOP, *_LANNER, "--planned", "200", "--failure", "600"),
    "renew-block": (*_SHOP, *_LANNER, "--access-cost", "100", "--part", f"{REGULATOR}=50/300"),
    "spares": (REGULATOR, *_SHOP),
}
TOLD_AGAIN = ("export", "rank")


class Desk:
    """Somebody of the shop who writes down everything that can be written down, again and again."""

    def __init__(self, database: Database) -> None:
        self.database, self.app = database, make_app(database)
        self.shop = make_caller(self.app, SHOPS[0])
        self.owner = with_scope(self.app, self.shop.shop_id, "admin")
        self.turn = 0
        self.things = {"component": REGULATOR, "limit_id": "T03-01", "check_id": "T03", "order_id": "recommissioning"}

    def at(self, moment: datetime) -> None:
        """Let it be another moment."""
        self.app.now = lambda: moment  # type: ignore[method-assign]

    def write(self, now: datetime) -> None:
        """Cards, corrections, answers, what is said beside the cards, prices, limits, inspections, a fit."""
        self.at(now)
        self.turn += 1
        fill_pool(self.database, tag=f"t{self.turn}", seed=self.turn, machines=4, now=now)
        self._cards()
        self._beside_the_cards()
        self._tables()
        self._inspection()
        self._send("POST", "/pool/membership", {"sharing": True, "why": f"turn {self.turn}"})
        refit(self.database, pool_open=False, now=now)
        publish(self.database, now=now, pool_open=False, asker=COMMAND_LINE)

    def _cards(self) -> None:
        turn, by = self.turn, {"by": "Wren", "why": f"turn {self.turn}"}
        named = {**LANNER, "machine": "0-0", "card": f"n{turn}", "date": f"202{turn}-01-11"}
        # more is known of the machine and its model with each card
        told = {1: {"model_year": "2013"}, 2: {"first_registered": "2013-02-03", "family": "L-twin"}}[turn]
        self._send("POST", "/job-lines", row(**{**named, "odometer": f"{60 + turn}000", **told}))
        if turn > 1:
            self._send(
                "POST", "/job-lines", row(**{**named, "machine": "new-1", "built": "2014-05", "component": "stator"})
            )
        self._send(
            "POST", "/job-lines", seen(f"i{turn}", f"202{turn}-12-11", f"{60 + turn}010", **LANNER, machine="0-0")
        )
        self._send("POST", "/job-lines", row(**{**named, "machine": f"new-{turn}", "component": "widget"}))
        self._send(
            "POST", "/job-lines", row(**{**named, "machine": f"0-{turn}", "component": "stator", "card": f"s{turn}"})
        )
        self.things.setdefault("machine_id", self._first("/machines?reference=0-0"))
        self.things.setdefault("import_id", self._first("/imports"))
        line = self._first(f"/job-lines?machine={self.things['machine_id']}&card=0-0b")
        self.things.setdefault("line_id", line)
        self._send("POST", f"/job-lines/{line}/corrections", {**by, "changes": {"odometer": f"{14 + turn}000"}})
        answers = [
            {"doubt": doubt["id"], "choice": "part", "component": "stator"}
            for doubt in self.shop.get("/api/v1/reviews").get_json()["doubts"]
            if doubt["card"] == f"n{turn - 1}"
        ]
        if answers:
            self._send("POST", "/reviews/answers", {**by, "answers": answers})

    def _beside_the_cards(self) -> None:
        turn, by = self.turn, {"by": "Wren", "why": f"turn {self.turn}"}
        failed = {"event": "failed", "date": f"2016-01-0{turn}", "by": "Wren"}
        self._send("POST", f"/job-lines/{self.things['line_id']}/dates", failed)
        bearer = self._first(f"/machines?reference=0-{turn}")
        self._send("POST", f"/machines/{bearer}/plates", {"plate": "VD 77 QX", "by": "Wren"})
        self._send("POST", f"/machines/{self.things['machine_id']}/plates", {"plate": f"VD {turn} AB", "by": "Wren"})
        rule = {"component": "chain_sprockets", "every_km": 20_000 + turn, "in_force_from": "2019-01-01"}
        self._send("POST", "/policies", {**rule, **by})
        self._send("POST", f"/machines/{bearer}/engine-changes", {"changed_on": f"2018-0{turn}-02", **by})

    def _tables(self) -> None:
        turn = self.turn
        price = {"component": REGULATOR, "price": f"9{turn}"}
        self._put("/prices", {"currency": "EUR", "hourly_rate": f"{70 + turn}", "parts": [price]})
        self._put("/import-settings", {"by": "Wren", "unit": ("km", "mi")[turn - 1]})
        limit = {"pass_low": 13.1 + turn / 2, "pass_high": 15.5, "source": "handbook", "editor": "Wren"}
        for holds_for in (LANNER, {"region": "Germany", "as_of": "2026-01-01"}):
            self._send("POST", "/limits/T03-01/versions", {**limit, **holds_for, "why": f"turn {turn}"})

    def _inspection(self) -> None:
        turn = self.turn
        started = self._send("POST", "/inspections", {**DESCRIBED, "permission": "may_strip", "kit": "shop"})
        visit = self.things.setdefault("inspection_id", started["id"])
        reading = {"check": "T03", "readings": [{"values": [{"value": 12.4 + turn}], "unit": "V"}]}
        self._send("POST", f"/inspections/{visit}/findings", reading)
        self._send("POST", f"/inspections/{visit}/outcomes", {"component": REGULATOR, "really_bad": turn == 1})
        if turn > 1:
            self._send("POST", f"/inspections/{visit}/close", {})

    def _send(self, method: str, path: str, document: dict[str, Any], **options: Any) -> Any:
        caller = self.owner if path.startswith("/pool") else self.shop
        answer = caller.send(method, f"/api/v1{path}", json=document, **options)
        assert answer.status_code in (200, 201), answer.get_json()
        return answer.get_json()

    def _put(self, path: str, document: dict[str, Any]) -> None:
        self._send("PUT", path, document, headers={"If-Match": self.shop.get(f"/api/v1{path}").headers["ETag"]})

    def _first(self, path: str) -> str:
        found = self.shop.get(f"/api/v1{path}").get_json()
        (entries,) = (value for value in found.values() if isinstance(value, list))
        return str(entries[0]["id"])


def test_every_reading_command_takes_known_at(
    shared_database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    taking = {name for name, command in cli.commands.items() if any(p.name == "known_at" for p in command.params)}
    assert taking == set(READING)
    weakspot = make_command(shared_database, monkeypatch, capsys)
    for name, needed in READING.items():
        code, _, error = weakspot(name, *needed, "--known-at", "2031-01-01")
        assert code == 1 and "--known-at" in error and "past day" in error, name


def ask(shop: Caller, name: str, things: dict[str, str], **more: str) -> tuple[int, bytes]:
    """The answer of one operation."""
    method, path = name.split(" ")
    address = "/api/v1" + re.sub(r"{(\w+)}", lambda found: things[found[1]], path)
    asked = {**ASKED.get(name, {}), **more}
    sent = {"json": asked} if method == "post" else {"query_string": asked}
    answer = shop.send(method.upper(), address, **sent)
    return answer.status_code, answer.data


def test_the_past_is_answered_the_same_whatever_is_written_since(
    database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was answered at a moment is answered as of it, after lines, corrections, prices, limits, a fit since.

    The answers of now are others by then, or the comparison would say nothing.
    """
    load_layouts(database)
    fill_pool(database)
    desk = Desk(database)
    desk.write(datetime(2026, 2, 1, tzinfo=UTC))
    moment = datetime(2026, 2, 15, 12, tzinfo=UTC)
    asked = sorted(name for name, takes in operations(desk.app) if takes and name not in NOT_ASKED)

    def answers(**more: str) -> dict[str, tuple[int, bytes]]:
        return {name: ask(desk.shop, name, desk.things, **more) for name in asked}

    weakspot = make_command(database, monkeypatch, capsys)
    desk.at(moment)
    at_the_time = answers()
    monkeypatch.setattr(cli_context, "moment", lambda: moment)
    said = {name: weakspot(name, *READING[name]) for name in TOLD_AGAIN}
    assert {name: answer for name, answer in said.items() if answer[0]} == {}
    assert {name: status for name, (status, _) in at_the_time.items() if status != 200} == {}
    desk.write(datetime(2026, 3, 1, 9, tzinfo=UTC))
    desk.at(NOW)
    again, now = answers(known_at=moment.isoformat()), answers()
    other = [name for name in asked if again[name] != at_the_time[name]]
    assert other == []
    unchanged = [name for name in asked if now[name] == at_the_time[name]]
    assert unchanged == []
    monkeypatch.setattr(cli_context, "moment", lambda: NOW)
    day = ("--known-at", f"{moment:%Y-%m-%d}")
    assert {name: weakspot(name, *READING[name], *day) for name in TOLD_AGAIN} == said
    assert [name for name in TOLD_AGAIN if weakspot(name, *READING[name]) == said[name]] == []


@pytest.mark.parametrize(
    ("known_at", "says"),
    [("2031-01-01T00:00:00Z", "give a past moment"), ("2026-01-01T00:00:00", "with its time zone"), ("then", "moment")],
)
def test_a_moment_that_cannot_be_read_is_refused_by_name(shared_app: WeakspotApp, known_at: str, says: str) -> None:
    shop = make_caller(shared_app, "The Cog & Gasket")
    nothing = dict.fromkeys(
        ("machine_id", "line_id", "inspection_id", "import_id"), "01890a5d-ac96-774b-bcce-b302099a8057"
    )
    things = {**nothing, "component": REGULATOR, "limit_id": "T03-01", "check_id": "T03", "order_id": "recommissioning"}
    wrong = []
    for name, takes in operations(shared_app):
        if takes and name != "post /backtests":
            status, body = ask(shop, name, things, known_at=known_at)
            if status != 422 or b'"/known_at"' not in body or says.encode() not in body:
                wrong.append(f"{name}: {status} {body[:200]!r}")
    assert wrong == []
