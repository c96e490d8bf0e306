"""Files that cannot be read at all: each is refused with the place and what to do instead."""

from __future__ import annotations

import io
import random

import pytest

from service.errors import FileRefused
from service.imports import reading
from service.imports.reading import read_job_lines
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.job_files import csv_file, row

GOOD = csv_file([row()])


def refused(data: bytes) -> FileRefused:
    with pytest.raises(FileRefused) as caught:
        read_job_lines(data, file_name="cards.csv")
    assert caught.value.status in (413, 422)
    assert caught.value.pointer == "/file"
    return caught.value


@pytest.mark.parametrize("data", [b"", b"  \r\n\r\n", b"\xef\xbb\xbf"])
def test_empty_file(data: bytes) -> None:
    assert "empty" in str(refused(data)) or "name the columns" in str(refused(data))


def test_byte_order_mark_and_binary_stream_are_read() -> None:
    parsed = read_job_lines(io.BytesIO(b"\xef\xbb\xbf" + GOOD), file_name="cards.csv")
    assert (len(parsed.rows), parsed.problem_count) == (1, 0)


def test_a_stray_byte_names_line_column_and_value() -> None:
    data = b"\xef\xbb\xbf" + csv_file([row(), row(notes="Zündung, gereinigt", card="1002")]).decode().encode("cp1252")
    error = refused(data)
    (problem,) = error.problems
    assert (problem.line, problem.column, problem.value) == (3, "notes", "Zündung, gereinigt")
    assert "0xfc" in problem.reason
    assert "UTF-8" in str(error)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"PK\x03\x04 rest", "zip archive that holds no workbook"),
        (b"%PDF-1.7", "PDF"),
        (GOOD.replace(b"23000", b"23\x00000"), "zero byte"),
        (b"\n".join(GOOD.splitlines()[1:]), "first line must name the columns"),
        (GOOD + b'1002,"open quote', "never closed"),
        (GOOD + b'1002,"closed" early', "closing quote is followed"),
        (GOOD + b'1002,"' + b"x" * 200_000 + b'"', "more than 131,072 characters"),
    ],
)
def test_other_kinds_of_file(data: bytes, said: str) -> None:
    assert said in str(refused(data))


def test_quote_that_is_never_closed_names_the_line_where_the_row_begins() -> None:
    (problem,) = refused(GOOD + b'1002,"open\nquote\n').problems
    assert problem.line == 3


@pytest.mark.parametrize("seed", [1, 2])
def test_ten_megabytes_of_random_bytes(seed: int) -> None:
    refused(random.Random(seed).randbytes(10_000_000))


def test_ten_megabytes_of_letters_without_a_line_end() -> None:
    error = refused(b"abcdefghi," * 1_000_000)
    assert len(str(error)) < 2_000
    assert len(error.problems) <= 30


def test_ten_megabytes_of_garbage_under_a_good_header() -> None:
    data = ",".join(JOB_LINE_COLUMNS).encode() + b"\n" + b"garbage, more garbage\n" * 450_000
    parsed = read_job_lines(data, file_name="cards.csv")
    assert (parsed.rows, parsed.problem_count, len(parsed.problems)) == ((), 450_000, reading.LISTED_PROBLEMS)
    assert parsed.problems[0].reason == "the row has 2 cells, the header has 22"


def test_unknown_column_is_named_with_the_nearest_known_one() -> None:
    (problem,) = refused(GOOD.replace(b"odometer", b"odometr")).problems
    assert (problem.line, problem.column, problem.reason) == (1, "odometr", "the column is not known")
    assert problem.instead.startswith("odometer,")


def test_columns_of_a_german_shop_are_guessed_and_one_nobody_knows_says_what_to_write() -> None:
    header = "Auftrag;Datum;Fahrgestell;Marke;Modell;Km-Stand;Einheit;Teil;Arbeit;Grund;Preis;Währung;Notiz;Wetter"
    error = refused(
        f"{header}\n7001;2019-03-12;M-1;Tindrake;Lanner 650;23456;km;Regler;renewed;failed;95;EUR;x;y\n".encode()
    )
    taken = {problem.column: problem.instead.partition(",")[0] for problem in error.problems}
    assert list(taken.values())[:-1] == [
        "card", "date", "machine", "make", "model", "odometer", "unit", "component", "action", "reason", "parts_cost",
        "currency", "notes",
    ]  # fmt: skip
    assert '"Wetter=notes", or - to leave it out' in error.problems[-1].instead
    assert str(error).count("model_year") == 1  # the columns there are: once, not at every one that is not known


def test_missing_and_doubled_columns_are_all_named() -> None:
    error = refused(b"card,machine,notes,notes\n1,2,3,4\n")
    assert {(p.column, p.reason) for p in error.problems} == {
        ("notes", "the column is there twice"),
        ("date", "the column is missing"),
        ("action", "the column is missing"),
    }


def test_columns_in_any_order_and_only_the_required_ones() -> None:
    data = csv_file(
        [{"action": "seen", "machine": "B7", "date": "2019", "card": "9"}], ["action", "machine", "date", "card"]
    )
    (parsed,) = read_job_lines(data, file_name="cards.csv").rows
    assert (parsed.card, parsed.machine, parsed.action, parsed.make, parsed.source) == ("9", "B7", "seen", "", "card")


def test_rows_beyond_the_limits_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MAX_ROWS", 1)
    assert "more than 1 rows" in str(refused(csv_file([row(), row()])))
    monkeypatch.setattr(reading, "MAX_BYTES", 100)
    assert "split it" in str(refused(GOOD))


def test_progress_ends_at_the_last_line() -> None:
    calls: list[tuple[int, int]] = []
    read_job_lines(csv_file([row()] * 12_000), file_name="x", progress=lambda done, total: calls.append((done, total)))
    assert calls[-1] == (12_001, 12_001)
    assert len(calls) == 3
    assert calls == sorted(calls)
