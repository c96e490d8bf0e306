"""A shop's own files: columns guessed, confirmed, remembered; forms of dates and numbers; the work done apart."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

from service.app import WeakspotApp
from service.jobs.work import WORK
from service.models import Job
from service.settings import Settings
from tests.service.callers import Caller, Command
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row
from tests.service.test_corrections import lines
from tests.service.test_reviews import answer, reviews

OWN = (b"Job no;Datum;Bike;Brand;Model;Odo (mi);Part;Action;Colour\r\n"
       b"17;12.03.2019;B7;Tindrake;Lanner 650;11.000;stator;renewed;blue\r\n")  # fmt: skip
MEANT = {
    "Job no": "card",
    "Datum": "date",
    "Bike": "machine",
    "Odo (mi)": "odometer",
    "Part": "component",
    "Brand": "make",
}


def send(caller: Caller, data: bytes, **form: str) -> Any:
    response = caller.post("/api/v1/imports", data={"file": (io.BytesIO(data), "own.csv"), **form})
    return response.status_code, response.get_json()


def put(caller: Caller, body: dict[str, Any]) -> Any:
    known = {"If-Match": caller.get("/api/v1/import-settings").headers["ETag"]}
    return caller.send("PUT", "/api/v1/import-settings", json=body, headers=known)


def test_columns_are_shown_confirmed_and_remembered(gasket: Caller, arches: Caller) -> None:
    status, refused = send(gasket, OWN)
    assert (status, {u["written"]: u["column"] for u in refused["columns"] if u["how"] == "guess"}) == (422, MEANT)
    assert [p["column"] for p in refused["problems"]][-1] == "Colour"
    assert send(gasket, OWN, accept_columns="true")[0] == 422  # nobody knows what a colour is
    body = {"by": "Ina", "columns": {**MEANT, "Colour": "-"}, "date_order": "dmy", "decimal_mark": ","}
    settings = put(gasket, body)
    assert settings.status_code == 200, settings.get_json()
    assert gasket.get("/api/v1/import-settings").get_json() == settings.get_json()
    assert settings.get_json()["columns"] == body["columns"]
    status, reply = send(gasket, OWN)
    assert (status, reply["summary"]["lines_new"]) == (201, 1)
    assert {use["how"] for use in reply["summary"]["reading"]["columns"]} == {"shop", "exact"}
    (line,) = lines(gasket)
    assert (line["cells"]["date"], line["cells"]["odometer"], line["cells"]["unit"]) == ("2019-03-12", "11000", "mi")
    assert line["understood"]["written"] == {"date": "12.03.2019", "odometer": "11.000"}
    assert send(arches, OWN)[0] == 422
    assert arches.get("/api/v1/import-settings").get_json()["columns"] == {}


def test_settings_that_cannot_be_used(gasket: Caller) -> None:
    for body, pointer in (
        ({"by": "Ina", "date_order": "ydm"}, "/date_order"),
        ({"by": "Ina", "columns": {"Km": "mileage"}}, "/columns/Km/value"),
        ({"by": "Ina", "currency": "ZZZ"}, "/currency"),
        ({"date_order": "dmy"}, "/by"),
    ):
        response = put(gasket, body)
        assert (response.status_code, response.get_json()["errors"][0]["pointer"]) == (422, pointer)


def test_a_day_that_reads_two_ways_is_asked_about(app: WeakspotApp, gasket: Caller) -> None:
    status, reply = send(gasket, csv_file([row(date="12/3/19")]), date_order="ask")
    assert (status, reply["doubt_counts"], reply["share_in_doubt"]) == (201, {"date_order": 1}, 1.0)
    (doubt,) = reviews(gasket)["doubts"]
    assert (doubt["value"], doubt["keeps_out_of_fits"]) == ("12/3/19", True)
    (line,) = lines(gasket)
    assert (line["understood"]["date_earliest"], line["understood"]["date_latest"]) == ("2019-03-12", "2019-12-03")
    done = answer(gasket, {"doubt": doubt["id"], "choice": "date", "value": "2019-03-12"})
    assert (done["lines_in_doubt"], lines(gasket)[0]["understood"]["date_latest"]) == (0, "2019-03-12")


def test_columns_beside_the_file(gasket: Caller) -> None:
    given = json.dumps({**MEANT, "Colour": "-"})
    assert send(gasket, OWN, columns=given, date_order="dmy", decimal_mark=",")[0] == 201
    assert gasket.get("/api/v1/import-settings").get_json()["columns"]["Colour"] == "-"
    assert send(gasket, OWN, columns='["Km"]')[0] == 422


def test_the_command(weakspot: Command, tmp_path: Path) -> None:
    file = tmp_path / "own.csv"
    file.write_bytes(OWN)
    code, _, error = weakspot("import", str(file), "--shop", "A")
    # One column nobody can guess: accepting the guesses alone would not do.
    assert (code, "Job no=card" in error, "put a column, or -, for each ?" in error) == (1, True, True)
    assert weakspot("import", str(file), "--shop", "A", "--accept-columns")[0] == 1
    said = ",".join(f"{name}={column}" for name, column in {**MEANT, "Colour": "-"}.items())
    forms = ("--date-order", "dmy", "--decimal-mark", ",")
    code, out, _ = weakspot("import", str(file), "--shop", "A", "--columns", said, *forms)
    assert (code, "1 new line" in out) == (0, True)
    assert weakspot("import-settings", "--shop", "A", *forms)[0] == 0
    shown = json.loads(weakspot("import-settings", "--shop", "A", "--json")[1])
    assert (shown["columns"]["Job no"], shown["date_order"]) == ("card", "dmy")
    assert weakspot("import", str(file), "--shop", "A")[0] == 0
    assert weakspot("import", str(file), "--shop", "A", "--columns", "Km")[0] == 2


def test_a_file_taken_in_apart_from_the_request(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    form = {"file": (io.BytesIO(csv_file([row()])), "cards.csv"), "background": "true"}
    accepted = gasket.post("/api/v1/imports", data=form)
    assert (accepted.status_code, accepted.get_json()["state"]) == (202, "queued")
    place = accepted.headers["Location"]
    assert gasket.get(place).get_json()["kind"] == "import"
    assert arches.get(place).status_code == 404
    with app.database.read() as session:
        (job,) = session.query(Job).all()
    result = WORK["import"](app.database, Settings(), job.params, NOW, lambda done, total, name: None)
    assert (result["state"], result["lines_new"]) == ("done", 1)
    assert len(lines(gasket)) == 1
