"""Files as shops have them: delimiters, encodings, workbooks, their own columns, dates and numbers of their country."""

from __future__ import annotations

import io
from datetime import date, datetime
from typing import Any

import pytest
from openpyxl import Workbook

from service.errors import ColumnsUnclear, FileRefused
from service.imports.columns import read_mapping
from service.imports.options import ReadOptions
from service.imports.reading import ParsedFile, read_job_lines
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.job_files import csv_file, row

TEXT = csv_file([row(notes="Zündung – gereinigt; teuer"), row(card="1002", notes="Öl | Café")]).decode()


def read(data: bytes, **options: Any) -> ParsedFile:
    return read_job_lines(data, file_name="cards.csv", options=ReadOptions(**options))


def cells(parsed: ParsedFile) -> list[tuple[str, ...]]:
    assert parsed.problems == ()
    return [found.cells for found in parsed.rows]


WANTED = cells(read(TEXT.encode()))


@pytest.mark.parametrize(
    ("data", "encoding", "known_by"),
    [
        (TEXT.encode(), "UTF-8", "utf-8"),
        (TEXT.encode("utf-8-sig"), "UTF-8", "mark"),
        (TEXT.encode("utf-16"), "UTF-16", "mark"),
        (TEXT.encode("utf-16-le"), "UTF-16", "detected"),
        (TEXT.encode("utf-16-be"), "UTF-16", "detected"),
        (TEXT.encode("utf-32"), "UTF-32", "mark"),
        (TEXT.encode("cp1252"), "cp1252", "detected"),
    ],
)
def test_encodings_are_read_and_reported(data: bytes, encoding: str, known_by: str) -> None:
    parsed = read(data)
    assert (parsed.reading.encoding, parsed.reading.encoding_by) == (encoding, known_by)
    assert cells(parsed) == WANTED


def test_an_encoding_said_is_used_and_an_unknown_one_refused() -> None:
    assert cells(read(TEXT.replace("–", "-").encode("cp850"), encoding="cp850"))[0][21].startswith("Zündung")
    with pytest.raises(FileRefused, match="is not known"):
        read(TEXT.encode(), encoding="rot13")


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_delimiters(mark: str) -> None:
    import csv

    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=mark)
    writer.writerow(JOB_LINE_COLUMNS)
    writer.writerows(WANTED)
    assert cells(read(out.getvalue().encode())) == WANTED
    assert cells(read(out.getvalue().encode(), delimiter=mark)) == WANTED


def workbook(rows: list[list[Any]], title: str = "Cards") -> bytes:
    book = Workbook()
    book.active.title = "Cover"
    sheet = book.create_sheet(title)
    for found in rows:
        sheet.append(found)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_workbook_is_read_from_the_sheet_chosen() -> None:
    names = ["card", "date", "machine", "make", "model", "odometer", "unit", "component", "action", "notes"]
    one = [1001, datetime(2019, 3, 12), "B7", "Tindrake", "Lanner 650", 23000.0, "km", "stator", "renewed", None]
    two = [1002, date(2019, 4, 1), "B7", None, None, 23500.5, "km", "stator", "checked_good", "'=1"]
    data = workbook([names, one, [], two])
    first, second = read(data, sheet="Cards").rows
    assert (first.card, first.cells[1], first.odometer, first.line) == ("1001", "2019-03-12", 23000.0, 2)
    assert (second.card, second.odometer, second.cells[21], second.line) == ("1002", 23500.5, "'=1", 4)
    with pytest.raises(FileRefused, match='no sheet "Karten"; it has Cover, Cards'):
        read(data, sheet="Karten")


OWN = ("Auftrag;Datum;Fahrgestellnummer;Marke;Modell;Kilometerstand;Teil;action;Materialkosten;Currency\r\n"
       "17;25.03.2019;B7;Tindrake;Lanner 650;23.456,5;Regler;renewed;1.120,50;EUR\r\n")  # fmt: skip


def test_a_shops_own_columns_are_guessed_shown_and_used_only_when_accepted() -> None:
    with pytest.raises(ColumnsUnclear) as caught:
        read(OWN.encode())
    guess = {use.written: use.column for use in caught.value.columns if use.how == "guess"}
    assert guess == {"Auftrag": "card", "Datum": "date", "Fahrgestellnummer": "machine", "Marke": "make",
                     "Modell": "model", "Kilometerstand": "odometer", "Teil": "component",
                     "Materialkosten": "parts_cost"}  # fmt: skip
    assert caught.value.extensions()["columns"][0] == {
        "written": "Auftrag",
        "column": "card",
        "how": "guess",
        "unit": "",
    }
    (found,) = read(OWN.encode(), accept_columns=True, date_order="dmy", decimal_mark=",").rows
    assert (found.card, found.odometer, found.unit, str(found.parts_cost)) == ("17", 23456.5, "km", "1120.50")
    assert found.when is not None and found.when.earliest == date(2019, 3, 25)
    assert found.written == {"date": "25.03.2019", "odometer": "23.456,5", "parts_cost": "1.120,50"}


def test_columns_said_or_remembered_are_used_and_wrong_ones_refused() -> None:
    given = read_mapping({"Auftrag": "card", "KILOMETERSTAND": "odometer", "Materialkosten": "-"})
    known = read_mapping(
        {"Datum": "date", "Fahrgestellnummer": "machine", "Marke": "make", "Modell": "model", "Teil": "component"}
    )
    parsed = read(OWN.encode(), columns=given, remembered=known, date_order="dmy", decimal_mark=",")
    assert {use.how for use in parsed.reading.columns} == {"given", "shop", "exact"}
    assert parsed.rows[0].parts_cost is None
    with pytest.raises(Exception, match='cannot be read as "mileage"'):
        read_mapping({"Km": "mileage"})
    with pytest.raises(FileRefused, match='no column "colour"'):
        read(OWN.encode(), columns={**given, "colour": "notes"}, remembered=known)


@pytest.mark.parametrize(
    ("written", "order", "earliest", "latest", "doubtful"),
    [
        ("12/3/19", "dmy", "2019-03-12", "2019-03-12", False),
        ("12/3/19", "mdy", "2019-12-03", "2019-12-03", False),
        ("12/3/19", "ask", "2019-03-12", "2019-12-03", True),
        ("25/3/19", "ask", "2019-03-25", "2019-03-25", False),
        ("3/25/19", "dmy", "2019-03-25", "2019-03-25", True),
        ("5.5.2019", "ask", "2019-05-05", "2019-05-05", False),
        ("03/2019", "dmy", "2019-03-01", "2019-03-31", False),
        ("2019-03-12", "mdy", "2019-03-12", "2019-03-12", False),
        ("29.2.2020", "dmy", "2020-02-29", "2020-02-29", False),
    ],
)
def test_days_by_order_and_none_guessed(written: str, order: str, earliest: str, latest: str, doubtful: bool) -> None:
    parsed = read(csv_file([row(date=written)]), date_order=order)
    (found,) = parsed.rows
    assert found.when is not None
    assert (str(found.when.earliest), str(found.when.latest)) == (earliest, latest)
    assert [(d.kind, d.value) for d in found.open] == ([("date_order", written)] if doubtful else [])


def test_how_many_days_would_read_otherwise_is_reported() -> None:
    parsed = read(csv_file([row(date="12/3/19"), row(date="25/3/19")]), date_order="dmy")
    assert (parsed.reading.dates_by_order, parsed.reading.dates_that_read_two_ways) == (2, 1)
    assert read(csv_file([row(date="12/3/19")])).problem_count == 1  # ISO 8601 alone where nothing else was said
