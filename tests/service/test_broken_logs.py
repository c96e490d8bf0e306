"""Records that hold hardly anything but failures give an order and no chances; other broken logs widen the range."""

from __future__ import annotations

from typing import Any

import pytest

from analytics.life_model_types import Probability
from service.cli_text import show_fit
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections.ranking import _sensitivity
from tests.service.callers import make_app, make_caller
from tests.service.databases import NOW

HEADER = "card,date,machine,make,model,first_registered,odometer,unit,component,action,reason\n"


def failures_only(machines: int) -> bytes:
    """A shop that writes down a regulator each time one has died, and nothing else."""
    rows = []
    for m in range(machines):
        start = f"{m},2010-01-01,M{m},Tindrake,Lanner 650,2010-01-01,10,km,regulator_rectifier,renewed,scheduled\n"
        rows.append(start)
        for k in range(1, 6):
            km = 9_000 * k + 97 * m
            rows.append(f"{m}-{k},{2010 + 2 * k}-05-01,M{m},,,,{km},km,regulator_rectifier,renewed,failed\n")
    return (HEADER + "".join(rows)).encode()


def ask(database: Database) -> dict[str, Any]:
    caller = make_caller(make_app(database), "The Cog & Gasket")
    machine = {"make": "Tindrake", "model": "Lanner 650", "odometer": {"value": 20_000, "unit": "km"}}
    response = caller.post("/api/v1/rankings", json={"machine": machine, "horizon": {"months": 12}})
    assert response.status_code == 200
    reply: dict[str, Any] = response.get_json()
    return reply


def test_failures_alone_give_the_order_and_no_chances(database: Database) -> None:
    take_in(database, "The Cog & Gasket", failures_only(30), file_name="a.csv", now=NOW, today=NOW.date())
    (report,) = refit(database, pool_open=False, now=NOW)
    assert report.selection[0]["ranking_only"]
    reply = ask(database)
    assert reply["ranking"][0]["rank"] == 1
    assert all(line["chance_in_horizon"] is None for line in reply["ranking"])
    assert any("the order can be used" in note for note in reply["notes"])


def test_a_log_with_healthy_machines_gives_chances(database: Database) -> None:
    seen = "".join(
        f"s{m}-{y},{y}-06-01,H{m},Tindrake,Lanner 650,2010-01-01,{4_000 * (y - 2009)},km,,seen,\n"
        for m in range(60)
        for y in range(2011, 2020)
    )
    take_in(database, "The Cog & Gasket", (HEADER + seen).encode(), file_name="a.csv", now=NOW, today=NOW.date())
    refit(database, pool_open=False, now=NOW)
    assert all(0 < line["chance_in_horizon"]["value"] < 1 for line in ask(database)["ranking"])


def test_a_flag_stretches_the_range_by_what_a_broken_log_may_hide() -> None:
    stretched = _sensitivity(Probability(0.2, 0.1, 0.4, 0.9))
    # Hazards times 0.6 and 1.9: 1 - 0.9 ** 0.6 and 1 - 0.6 ** 1.9, worked by hand.
    assert (stretched["low"], stretched["high"]) == pytest.approx((0.0612596, 0.6211325), abs=1e-6)


def healthy(machines: int) -> bytes:
    """A shop that fits regulators on schedule, sees every machine once more and never has anything."""
    row = "{0},{1}-06-01,H{0},Tindrake,Lanner 650,2010-01-01,{2},km,{3}\n"
    renewed = [row.format(m, 2011, 4_000 + m, "regulator_rectifier,renewed,scheduled") for m in range(machines)]
    seen = [row.format(m, 2013, 9_000 + m, ",seen,").replace(f"{m},", f"s{m},", 1) for m in range(machines)]
    return (HEADER + "".join([*renewed, *seen])).encode()


@pytest.mark.parametrize(("machines", "said"), [(12, True), (101, False)])
def test_a_small_shop_is_told_that_its_log_cannot_be_told_to_be_whole(
    database: Database, capsys: pytest.CaptureFixture[str], machines: int, said: bool
) -> None:
    take_in(database, "The Cog & Gasket", healthy(machines), file_name="a.csv", now=NOW, today=NOW.date())
    (report,) = refit(database, pool_open=False, now=NOW)
    of_all = report.to_dict()["selection"][0]
    assert (list(of_all["flags"]), of_all["too_few_to_tell"]) == ([], said)
    words = f"{machines} machines are too few to tell"
    assert any(words in note for note in ask(database)["notes"]) == said
    caller = make_caller(make_app(database), "The Cog & Gasket")
    risk = caller.get("/api/v1/components/stator/risk?make=Tindrake&model=Lanner+650").get_json()
    assert any(words in flag for flag in risk["flags"]) == said
    show_fit([report])
    assert ("too few machines to tell by" in capsys.readouterr().out) == said
