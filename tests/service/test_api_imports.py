"""Job-line files over HTTP: in by POST, looked up by GET, out again as CSV."""

from __future__ import annotations

import io
from typing import Any

import pytest
from werkzeug.test import TestResponse

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.job_files import content, csv_file, row, seen

GOOD = csv_file([seen("1000", "2018-01-10", "20000"), row(), row(card="1002", component="stator")])
# The odometer falls between two cards: kept, but in doubt.
DOUBTFUL = csv_file([seen("1000", "2018-01-10", "20000"), seen("1001", "2019-01-10", "9000")])


def send(caller: Caller, data: bytes, query: str = "", name: str = "cards.csv") -> TestResponse:
    return caller.post(f"/api/v1/imports{query}", data={"file": (io.BytesIO(data), name)})


def test_import_is_taken_in_and_found_again(gasket: Caller) -> None:
    response = send(gasket, GOOD)
    assert response.status_code == 201
    reply = response.get_json()
    assert (reply["file_name"], reply["recorded_at"]) == ("cards.csv", "2026-06-01T08:00:00+00:00")
    assert (reply["summary"]["lines_new"], reply["doubts"], reply["doubt_counts"]) == (3, [], {})
    assert response.headers["Location"].endswith(f"/api/v1/imports/{reply['id']}")
    assert gasket.get(response.headers["Location"]).get_json() == reply
    listed = gasket.get("/api/v1/imports").get_json()
    assert listed["imports"] == [{name: reply[name] for name in ("id", "file_name", "recorded_at")}]
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    assert (machine["reference"], machine["make"], machine["model"]) == (row()["machine"], "Tindrake", "Lanner 650")


def test_doubts_are_counted_and_listed(gasket: Caller) -> None:
    reply = send(gasket, DOUBTFUL).get_json()
    assert sum(reply["doubt_counts"].values()) == len(reply["doubts"]) > 0
    assert {doubt["column"] for doubt in reply["doubts"]} == {"odometer"}
    assert "9000 km" in {doubt["value"] for doubt in reply["doubts"]}
    assert gasket.get(f"/api/v1/imports/{reply['id']}").get_json()["doubts"] == reply["doubts"]


@pytest.mark.parametrize("data", [GOOD, DOUBTFUL])
def test_dry_run_says_the_same_and_writes_nothing(app: WeakspotApp, gasket: Caller, data: bytes) -> None:
    before = content(app.database)
    response = send(gasket, data, "?dry_run=true")
    assert response.status_code == 200
    dry = response.get_json()
    assert (dry["id"], dry["recorded_at"]) == (None, None)
    assert content(app.database) == before
    done = send(gasket, data).get_json()
    assert dry["doubt_counts"] == done["doubt_counts"]
    differing = {name for name, value in dry["summary"].items() if value != done["summary"][name]}
    assert differing == {"import_id", "dry_run", "applied"}


def test_same_file_twice_writes_nothing(app: WeakspotApp, gasket: Caller) -> None:
    first = send(gasket, GOOD)
    before = content(app.database)
    second = send(gasket, GOOD)
    assert (second.status_code, content(app.database)) == (200, before)
    reply = second.get_json()
    assert (reply["id"], reply["recorded_at"]) == (first.get_json()["id"], None)
    assert (reply["summary"]["lines_new"], reply["summary"]["lines_already_there"]) == (0, 3)


def test_row_that_cannot_be_used_refuses_the_file(app: WeakspotApp, gasket: Caller) -> None:
    before = content(app.database)
    bad = csv_file([row(), row(card="1002", date="12.13.2019"), row(card="1003", action="polished")])
    response = send(gasket, bad)
    assert (response.status_code, response.mimetype) == (422, "application/problem+json")
    document: dict[str, Any] = response.get_json()
    assert document["errors"][0]["pointer"] == "/file"
    problems = document["report"]["problems"]
    assert [(p["line"], p["column"], p["value"]) for p in problems] == [
        (3, "date", "12.13.2019"),
        (4, "action", "polished"),
    ]
    assert all(p["reason"] and p["instead"] for p in problems)
    assert content(app.database) == before
    assert send(gasket, bad, "?keep_good=true").get_json()["summary"]["lines_new"] == 1


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"card,date,machine,action,colour\r\n", "colour"),
        (b"\x00\x01\x02" * 1000, ""),
        (b"PK\x03\x04" + b"\x00" * 100, ""),
        (
            b"\xef\xbb\xbf" + "card,date,machine,action,notes\r\n1,2020-01-01,A,seen,Mühle\r\n".encode("latin-1"),
            "UTF-8",
        ),
    ],
    ids=["empty", "unknown column", "garbage", "archive", "wrong encoding"],
)
def test_file_that_is_no_job_line_file(app: WeakspotApp, gasket: Caller, data: bytes, said: str) -> None:
    before = content(app.database)
    response = send(gasket, data)
    assert (response.status_code, response.mimetype) == (422, "application/problem+json")
    document = response.get_json()
    assert said in document["detail"]
    assert document["errors"][0]["pointer"] == "/file"
    assert content(app.database) == before


@pytest.mark.parametrize("query", ["?dryrun=true", "?dry_run=perhaps", "?keep_good="])
def test_unclear_query_imports_nothing(app: WeakspotApp, gasket: Caller, query: str) -> None:
    before = content(app.database)
    assert send(gasket, GOOD, query).status_code == 422
    assert content(app.database) == before


def test_form_without_the_file(gasket: Caller) -> None:
    response = gasket.post("/api/v1/imports", data={"file": "card,date"}, content_type="multipart/form-data")
    assert response.status_code == 422
    assert response.get_json()["errors"] == [
        {"pointer": "/file", "detail": "Send the file of job lines as the form's part named file."}
    ]


def test_export_is_what_the_import_takes(gasket: Caller, arches: Caller) -> None:
    formula = csv_file([row(notes='=HYPERLINK("x")'), row(card="1002", notes="Öl, 3 l\nand a filter")])
    assert send(gasket, formula).status_code == 201
    out = gasket.get("/api/v1/exports/job-lines.csv")
    assert (out.status_code, out.mimetype) == (200, "text/csv")
    assert "job-lines.csv" in out.headers["Content-Disposition"]
    assert send(arches, out.data).get_json()["summary"]["lines_new"] == 2
    assert arches.get("/api/v1/exports/job-lines.csv").data == out.data
    assert send(gasket, out.data).status_code == 200


def test_list_is_paged(gasket: Caller) -> None:
    ids = [send(gasket, csv_file([row(card=str(number))])).get_json()["id"] for number in range(3)]
    pages, after = [], ""
    while after is not None:
        page = gasket.get(f"/api/v1/imports?limit=2{after and '&after=' + after}").get_json()
        pages.append([entry["id"] for entry in page["imports"]])
        after = page["next"]
    assert pages == [ids[:2], ids[2:]]


def test_wishes_beside_the_file_count_as_in_the_address(gasket: Caller) -> None:
    beside = {"file": (io.BytesIO(GOOD), "cards.csv"), "dry_run": "true"}
    response = gasket.post("/api/v1/imports", data=beside)
    assert (response.status_code, response.get_json()["id"]) == (200, None)
    assert gasket.get("/api/v1/machines").get_json()["machines"] == []


def test_other_fields_beside_the_file_are_refused(gasket: Caller) -> None:
    beside = {"file": (io.BytesIO(GOOD), "cards.csv"), "dryrun": "true"}
    response = gasket.post("/api/v1/imports", data=beside)
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/dryrun"
