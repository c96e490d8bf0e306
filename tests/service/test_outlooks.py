"""A shop's fleet ahead, spares and comparisons, from imported job lines; and `weakspot ahead`."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import pytest

from analytics.life_model_types import Horizon
from service.db import Database
from service.errors import Conflict, InvalidInput, NotFound
from service.fitting import refit
from service.fleet_now import fleet_on_record
from service.inspections.ranking import rank_recorded
from service.model_comparisons import model_comparisons
from service.models import Machine
from service.outlooks import fleet_outlook, spares_to_hold
from service.records import get_or_create_shop
from tests.service.callers import make_command
from tests.service.job_files import NOW, SHOP, csv_file, row, seen, take_in

STRANGER = "Sallow Lane Arches"
AS_OF = date(2026, 1, 5)


def card(number: int, day: str, odometer: str, **cells: str) -> dict[str, str]:
    machine = {"machine": f"M{number}", "model_year": "2014", "model": "Dray 300", "make": "Hexley"}
    return seen(f"{number}-{day}", day, odometer, **machine) | cells


def fill(database: Database) -> int:
    """Four machines in use, one gone, one of a stranger; the fourth has a regulator found bad."""
    rows = []
    for number in range(1, 5):
        rows += [card(number, "2016-03-01", "4000"), card(number, "2025-11-01", "61000")]
    rows.append(
        row(card="x", date="2020-05-01", machine="M1", make="Hexley", model="Dray 300", odometer="30000",
            component="cvt_belt", reason="scheduled")
    )  # fmt: skip
    rows += [card(5, "2016-03-01", "4000"), card(5, "2025-11-01", "61000", action="gone")]
    take_in(database, csv_file(rows), today=AS_OF)
    take_in(database, csv_file([card(9, "2016-03-01", "1000"), card(9, "2025-11-01", "9000")]), shop=STRANGER,
            today=AS_OF)  # fmt: skip
    with database.write() as session:
        return get_or_create_shop(session, SHOP, now=NOW).id


def test_outlook_of_the_machines_in_use(database: Database) -> None:
    shop_id = fill(database)
    with database.read() as session:
        found = fleet_outlook(session, shop_id, as_of=AS_OF, months=12, pool_open=False)
        fleet = fleet_on_record(session, shop_id, as_of=AS_OF, pool_open=False)
    assert sorted(m["machine"] for m in found["by_machine"]) == ["M1", "M2", "M3", "M4"]
    assert sum(m["expected"] for m in found["by_machine"]) == pytest.approx(found["expected"], rel=0.03)
    assert sum(found["by_month"]) == pytest.approx(sum(c["expected"] for c in found["components"]))
    assert found["low"] < found["expected"] < found["high"] and len(found["by_month"]) == 12
    assert "seen for three years (1)" in found["notes"][0]
    assert fleet.references == ("M1", "M2", "M3", "M4") and {c["safety_class"] for c in found["components"]} >= {"A"}


def test_chances_are_those_of_the_single_ranking(database: Database) -> None:
    """The same records asked about one machine give the same failures, where replacements hardly matter."""
    shop_id = fill(database)
    with database.read() as session:
        found = fleet_outlook(session, shop_id, as_of=AS_OF, months=1, pool_open=False)
        public_id = session.query(Machine.public_id).filter(Machine.reference == "M2").scalar()
        ranking, _ = rank_recorded(
            session, shop_id, public_id, as_of=AS_OF, horizon=Horizon(days=365.25 / 12), level=0.8, pool_open=False
        )
    alone = sum(p.chance_in_horizon.value for p in ranking.parts)
    mine = next(m["expected"] for m in found["by_machine"] if m["machine"] == "M2")
    assert mine == pytest.approx(alone, rel=0.06)  # priors only: wide, and the outlook takes fewer draws


def test_refused_before_the_last_line_and_without_machines(database: Database) -> None:
    shop_id = fill(database)
    with database.write() as session:
        empty = get_or_create_shop(session, "Upper Tarn School Workshop", now=NOW).id
    with database.read() as session:
        with pytest.raises(InvalidInput, match="before the last line"):
            fleet_outlook(session, shop_id, as_of=date(2020, 1, 1), months=3, pool_open=False)
        with pytest.raises(Conflict, match="nothing ahead"):
            fleet_outlook(session, empty, as_of=AS_OF, months=3, pool_open=False)


def test_spares_rise_with_cover_and_planned_renewals(database: Database) -> None:
    shop_id = fill(database)

    def hold(cover: float, interval_km: float | None = None, component: str = "cvt_belt") -> dict:
        with database.read() as session:
            return spares_to_hold(session, shop_id, component, as_of=AS_OF, lead_time_days=28, cover=cover,
                                  interval_km=interval_km, pool_open=False)  # fmt: skip

    low, high = hold(0.5), hold(0.99)
    assert low["stock"] <= high["stock"] and high["covers"] >= 0.99
    # belts of 30,000 km and more, renewed at 15,000: all four are due
    assert hold(0.9, 15_000)["expected"] == pytest.approx(4, abs=0.3)
    with pytest.raises(NotFound):
        hold(0.9, component="no_such_part")


def test_comparisons_say_when_there_is_not_enough_data(database: Database) -> None:
    shop_id = fill(database)
    refit(database, now=NOW, pool_open=False)
    with database.read() as session:
        found = model_comparisons(session, shop_id, "cvt_belt", pool_open=False)
        with pytest.raises(NotFound):
            model_comparisons(session, shop_id, "no_such_part", pool_open=False)
    assert {m["finding"] for m in found["models"]} <= {"not enough data"}
    assert found["within"][-1]["finding"] == "not enough data"


def test_command_prints_and_writes(
    database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    fill(database)
    weakspot = make_command(database, monkeypatch, capsys)
    table = tmp_path / "ahead.csv"
    code, out, err = weakspot("ahead", "--shop", SHOP, "--months", "6", "--as-of", "2026-01-05", "--csv", str(table))
    assert (code, err) == (0, "") and out.startswith("Expect ") and "4 machines" in out and "M3" in out
    assert "M9" not in out and "Safety class A" in out
    code, out, _ = weakspot("ahead", "--shop", SHOP, "--months", "6", "--as-of", "2026-01-05", "--json")
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert [r["component"] for r in rows] == [c["component"] for c in json.loads(out)["components"]]
    assert "month_6" in rows[0] and "month_7" not in rows[0]
    code, _, err = weakspot("ahead", "--shop", "Nobody")
    assert code == 1 and "no shop" in err
