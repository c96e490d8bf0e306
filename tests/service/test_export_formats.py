"""Every format gives back what was taken in, and a spreadsheet runs none of it."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pyarrow.parquet
import pytest
from openpyxl import load_workbook

from service.exports import FORMATS
from service.imports.guard import put_mark
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.callers import Caller, Command
from tests.service.job_files import csv_file, row, seen
from tests.service.test_corrections import lines

# What begins a formula: OWASP Foundation, "CSV Injection". NUL is refused: no file format here can carry it.
NOTES = ["=1+1", "+44 1234", "-1", "@SUM(A1)", "\t=1", "'=1", "''=1", "=cmd|' /C calc'!A0", "0023", "1e5", "TRUE",
         " padded ", "a,b;c|d", 'say "b"', "two\nlines", "two\r\nlines", "_x0041_", "http://example.invalid/=1",
         "Zündung ⚙ 火花", "＝1"]  # fmt: skip
ROWS = [row(card=str(k), machine=f"=M{k}", component="reg/rec", notes=note) for k, note in enumerate(NOTES)]
ROWS.append(seen("x", "2020-02", "30000.5", make="", model="", parts_cost="1.50", currency="EUR"))


def cells(caller: Caller) -> list[dict[str, str]]:
    return [line["cells"] for line in lines(caller, "?limit=100")]


def send(caller: Caller, data: bytes, query: str = "", **form: Any) -> Any:
    return caller.post(f"/api/v1/imports{query}", data={"file": (io.BytesIO(data), "cards"), **form})


@pytest.fixture
def filled(gasket: Caller) -> Caller:
    ROWS[-1]["machine"] = "=M1"
    data = csv_file([{name: put_mark(cell) for name, cell in found.items()} for found in ROWS])
    assert send(gasket, data).status_code == 201
    assert [found.get("notes", "") for found in cells(gasket)][: len(NOTES)] == NOTES
    return gasket


@pytest.mark.parametrize("kind", ["csv", "jsonl", "xlsx"])
def test_what_goes_out_comes_back_the_same(filled: Caller, arches: Caller, kind: str) -> None:
    out = filled.get(f"/api/v1/exports/job-lines?format={kind}")
    assert (out.status_code, out.mimetype) == (200, FORMATS[kind].media_type)
    assert f"job-lines.{kind}" in out.headers["Content-Disposition"]
    reply = send(arches, out.data).get_json()
    assert (reply["summary"]["lines_new"], reply["summary"]["problem_count"]) == (len(ROWS), 0)
    assert cells(arches) == cells(filled)
    assert send(filled, out.data).get_json()["summary"]["lines_new"] == 0


def test_a_workbook_holds_texts_and_no_formula(filled: Caller) -> None:
    data = filled.get("/api/v1/exports/job-lines?format=xlsx").data
    sheet = load_workbook(io.BytesIO(data))["job lines"]
    assert {cell.data_type for found in sheet.iter_rows() for cell in found if cell.value is not None} <= {
        "s",
        "inlineStr",
    }
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        markup = b"".join(archive.read(name) for name in archive.namelist())
    assert b"<f>" not in markup and b"hyperlink" not in markup


def test_parquet_holds_what_was_written_and_what_was_understood(filled: Caller) -> None:
    table = pyarrow.parquet.read_table(io.BytesIO(filled.get("/api/v1/exports/job-lines?format=parquet").data))
    written = table.select(list(JOB_LINE_COLUMNS)).to_pylist()
    assert [{k: v for k, v in found.items() if v} for found in written] == cells(filled)
    last = table.to_pylist()[-1]
    assert (str(last["understood_date_latest"]), last["understood_odometer_km"]) == ("2020-02-29", 30_000.5)
    assert set(table["understood_component"].to_pylist()) == {"regulator_rectifier", None}


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [("", "text/csv"), ("*/*", "text/csv"), ("application/jsonl", "application/jsonl"),
     ("application/vnd.apache.parquet, text/csv;q=0.5", "application/vnd.apache.parquet")],
)  # fmt: skip
def test_the_accept_header_chooses(filled: Caller, accept: str, mimetype: str) -> None:
    assert filled.get("/api/v1/exports/job-lines", headers={"Accept": accept}).mimetype == mimetype


def test_a_format_nobody_writes_is_refused(filled: Caller) -> None:
    assert filled.get("/api/v1/exports/job-lines", headers={"Accept": "image/png"}).status_code == 406
    assert filled.get("/api/v1/exports/job-lines?format=doc").status_code == 422


def test_the_command_writes_and_reads_every_format(weakspot: Command, tmp_path: Path) -> None:
    source = tmp_path / "cards.csv"
    source.write_bytes(csv_file([row(), row(card="2", notes="Öl")]))
    assert weakspot("import", str(source), "--shop", "A")[0] == 0
    for kind in FORMATS:
        out = tmp_path / f"out.{kind}"
        assert weakspot("export", "--shop", "A", "--out", str(out))[0] == 0
        if kind != "parquet":
            assert "2 new lines" in weakspot("import", str(out), "--shop", f"shop {kind}")[1]
    code, _, error = weakspot("import", str(tmp_path / "out.parquet"), "--shop", "B")
    assert (code, "only goes out" in error) == (1, True)
