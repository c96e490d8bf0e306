"""Questions Q17 to Q20 of the trade brief's first hour, over HTTP on a small demo world of several shops.

Expected answers are those of the brief's table; where it and the pool's rule differ (5 shops, half of the events), the
rule holds.
"""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.jobs.work import backtest
from service.pool.publishing import publish
from service.pool.trail import COMMAND_LINE
from tests.service.callers import Caller, make_caller
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, seen
from tests.service.story_world import story_copy

API = "/api/v1"


@pytest.fixture(scope="module")
def shop(story_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Caller:
    caller = make_caller(story_copy(story_file, tmp_path_factory.mktemp("demo")).http.application, "cog-and-gasket")
    publish(caller.http.application.database, now=NOW, pool_open=True, asker=COMMAND_LINE)  # type: ignore[attr-defined]
    return caller


def get(caller: Caller, path: str, **query: Any) -> Any:
    reply = caller.get(API + path, query_string=query)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    return reply.get_json()


def pages(caller: Caller, path: str, name: str) -> list[dict[str, Any]]:
    """Every entry of a list."""
    page = get(caller, path, limit=200)
    found: list[dict[str, Any]] = page[name]
    while page["next"]:
        page = get(caller, path, limit=200, after=page["next"])
        found += page[name]
    return found


def take_in(caller: Caller, *rows: dict[str, str]) -> None:
    data = {"file": (io.BytesIO(csv_file(rows)), "cards.csv")}
    assert caller.post(f"{API}/imports", data=data, content_type="multipart/form-data").status_code == 201


def test_q17_what_did_you_store(shop: Caller) -> None:
    machine = get(shop, "/machines", limit=1)["machines"][0]
    raw = "12/3/19 23k reg/rec + batt"
    card = {"machine": machine["reference"], "card": "Q17", "lines": [raw], "date_order": "dmy"}
    reading = shop.post(f"{API}/card-texts", json=card).get_json()["reading"]
    assert reading["raw"] == [raw]  # the words stay beside what was understood
    odometer = reading["odometer"]
    assert (odometer["low"], odometer["high"], odometer["unit"]) == (22_500, 23_499, "unknown")
    lines = get(shop, "/job-lines", card="Q17")["lines"]
    assert [line["understood"]["component"] for line in lines] == ["regulator_rectifier", "battery"]
    assert all(line["understood"]["reason"] == "unknown" and line["in_doubt"] for line in lines)
    reviews = json.dumps(get(shop, "/reviews", limit=200))
    assert raw in reviews or "23k" in reviews  # something to confirm


def test_q18_how_old_is_the_chain_after_the_clock_was_changed(shop: Caller) -> None:
    """Worked by hand: 31,000 - 20,000 on the old clock, 9,000 - 0 on the new one: 20,000 km."""
    named = {"machine": "Q18 bike", "make": "Tindrake", "model": "Lanner 650", "built": "2014-02"}
    swap = {"card": "Q18c", "date": "2019-03-12", "component": "", "reason": ""}
    take_in(
        shop,
        seen("Q18a", "2015-01-10", "5000", **named),
        row(card="Q18b", date="2017-05-02", odometer="20000", component="chain_sprockets", reason="scheduled",
            **named),
        row(**{**named, **swap, "odometer": "31000", "action": "seen"}),
        row(**{**named, **swap, "odometer": "0", "action": "clock_changed"}),
        seen("Q18d", "2021-05-02", "9000", **named),
    )  # fmt: skip
    chain = chain_of(shop, "Q18 bike", "2021-05-02")
    assert chain["why"].startswith("This part has run 20,000 km in 4.0 years.")
    written = [line["cells"]["odometer"] for line in get(shop, "/job-lines", card="Q18c")["lines"]]
    assert written == ["31000", "0"]  # both readings
    # Without the old clock's last reading nothing tells how far the chain ran: no figure is made up.
    unknown = {**named, "machine": "Q18 other"}
    take_in(
        shop,
        seen("Q18e", "2015-01-10", "5000", **unknown),
        row(card="Q18f", date="2017-05-02", odometer="20000", component="chain_sprockets", reason="scheduled",
            **unknown),
        row(**{**unknown, **swap, "card": "Q18g", "odometer": "0", "action": "clock_changed"}),
        seen("Q18h", "2021-05-02", "9000", **unknown),
    )  # fmt: skip
    assert "20,000 km" not in chain_of(shop, "Q18 other", "2021-05-02")["why"]


def chain_of(shop: Caller, reference: str, day: str) -> dict[str, Any]:
    (machine,) = get(shop, "/machines", reference=reference)["machines"]
    ranking = get(shop, f"/machines/{machine['id']}/ranking", as_of=day)["ranking"]
    found: dict[str, Any] = next(part for part in ranking if part["component"] == "chain_sprockets")
    return found


def test_q19_can_another_shop_see_my_customers(shop: Caller) -> None:
    app = shop.http.application
    secret = "Mrs Quillfeather, plate VD 77 QX"
    take_in(shop, seen("Q19", "2016-05-02", "9000", machine="Q19 her bike", model_year="2014", notes=secret))
    other = make_caller(app, "sallow-lane-arches")  # type: ignore[arg-type]
    own, others = ({m["id"]: m["reference"] for m in pages(c, "/machines", "machines")} for c in (shop, other))
    assert own and others and not set(own) & set(others)
    mine = set(own.values()) - set(others.values())  # a machine that changed hands is known to both
    shown = [
        get(other, path)
        for path in ("/machines", "/job-lines", "/imports", "/reviews", "/pool", "/pool/cells", "/pool/shared",
                     "/comparisons/regulator_rectifier", "/fleet/outlook")
    ]  # fmt: skip
    text = json.dumps(shown)
    assert not [word for word in ("Quillfeather", "VD 77", "Q19", *mine) if f'"{word}' in text or secret in text]
    cells = get(other, "/pool/cells", limit=5000)["cells"]
    assert all(c["machines"] >= 10 and c["shops"] >= 5 for c in cells)
    # Exactly what was sent can be shown: coarse clocks, and no column for anything personal.
    sent = get(shop, "/pool/shared", limit=5000)
    assert sent["total"] == len(sent["rows"]) or sent["next"] is not None
    assert {"notes", "reference", "vin", "date"}.isdisjoint(sent["rows"][0])
    assert all(row["exit_km"] % 250 == 0 for row in sent["rows"])
    assert "Quillfeather" not in json.dumps(sent)


def test_q20_how_sure_are_you_and_when_were_you_wrong(shop: Caller) -> None:
    asked = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11", "odometer": {"value": 38_000, "unit": "km"}}
    ranking = shop.post(f"{API}/rankings", json={"machine": asked}).get_json()["ranking"]
    regulator = next(part for part in ranking if part["component"] == "regulator_rectifier")
    evidence = regulator["evidence"]
    assert evidence["failures"] > 5 and evidence["shops"] > 1 and 0 <= evidence["prior_weight"] <= 1
    assert evidence["exposure_km"] > 0
    chance = regulator["chance_in_horizon"]
    assert chance["low"] < chance["value"] < chance["high"]
    nothing_known = next(part for part in ranking if part["evidence"]["parts"] == 0)
    assert nothing_known["why"].endswith("catalogue prior only, invented figures.")  # no opinion of its own
    app = shop.http.application
    assert shop.post(f"{API}/backtests", json={"as_of": "2019-01-01"}).status_code == 202
    params = {"as_of": "2019-01-01", "scope": None, "level": 0.9, "months": 12.0}
    found = backtest(app.database, app.settings, params, datetime(2026, 6, 1, tzinfo=UTC), lambda *_: None)  # type: ignore[attr-defined]
    bands = found["calibration"]["bands"]
    assert bands and all({"expected", "observed"} <= set(band) for band in bands)
    assert found["worst_misses"]
    # All members read the same answer: nobody's machine, shop or day is in it.
    assert {miss["machine"] for miss in found["worst_misses"]} == {None} and isinstance(found["backtest"]["shops"], int)
    assert all(len(miss["from"]) == 7 for miss in found["worst_misses"])
