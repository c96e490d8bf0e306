"""Texts that go into a workbook are what openpyxl reads out of it; escapes of what XML cannot hold as in ECMA-376."""

from __future__ import annotations

import io

from hypothesis import example, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from service.workbooks import write_workbook

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
WIDE = 60  # past Z, and past AZ


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@example(
    [["_x0041_", "\x1b[1m\r\n", " <&>\"' ", "]]>", "=1+1", "_x000"], ["\uffff", "\x85", "", "\u2028", "\x7f", "x"]]
)
@given(st.lists(st.lists(TEXTS, min_size=6, max_size=6), min_size=1, max_size=4))
def test_a_text_comes_out_as_it_went_in(rows: list[list[str]]) -> None:
    out = io.BytesIO()
    assert write_workbook(out, "a sheet", list("abcdef"), [rows[:1], rows[1:]]) == len(rows)
    sheet = load_workbook(out)["a sheet"]
    found = [[cell.value or "" for cell in row] for row in sheet.iter_rows(min_row=2, max_col=6, max_row=len(rows) + 1)]
    assert [[unescape(text) for text in row] for row in found] == rows
    assert {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None} <= {"s", "inlineStr"}


def test_columns_past_z_and_a_header_that_stays() -> None:
    out = io.BytesIO()
    names = [f"column {k}" for k in range(WIDE)]
    assert write_workbook(out, "wide", names, [[[str(k) for k in range(WIDE)]]]) == 1
    sheet = load_workbook(out)["wide"]
    header, cells = ([cell.value for cell in row] for row in sheet.iter_rows())
    assert (header, cells) == (names, [str(k) for k in range(WIDE)])
    assert (sheet.freeze_panes, sheet["BH2"].value, sheet["B2"].number_format) == ("A2", "59", "@")


def test_no_rows_at_all() -> None:
    out = io.BytesIO()
    assert write_workbook(out, "none", ["a", "b"], []) == 0
    assert [[cell.value for cell in row] for row in load_workbook(out)["none"].iter_rows()] == [["a", "b"]]
