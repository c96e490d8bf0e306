"""Workbooks made to burst are refused at once: by ratio, nested, with lying sizes, by entities, by cells.

Kinds: D. Fifield, "A better zip bomb", WOOT 2019 (overlapping parts); the entity expansion known as "billion laughs".
"""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile

import pytest

from service.errors import FileRefused
from service.imports.reading import read_job_lines
from tests.service.callers import Caller

SHEET = "xl/worksheets/sheet1.xml"
HEAD = b'<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
PARTS = {
    "[Content_Types].xml": b'<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    b'<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.'
    b'sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-'
    b'officedocument.spreadsheetml.worksheet+xml"/></Types>',
    "_rels/.rels": b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
    b'Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" '
    b'Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": b'<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://'
    b'schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="a" sheetId="1" r:id="r1"/>'
    b"</sheets></workbook>",
    "xl/_rels/workbook.xml.rels": b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    b'<Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" '
    b'Target="worksheets/sheet1.xml"/></Relationships>',
    SHEET: HEAD + b"</sheetData></worksheet>",
}


def workbook(**changed: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**PARTS, **changed}.items():
            archive.writestr(name, data)
    return out.getvalue()


def lying() -> bytes:
    """Sizes in the directory say little; the part itself inflates to 50 MB."""
    data = bytearray(workbook(**{SHEET: HEAD + b" " * 50_000_000}))
    at = data.rfind(b"PK\x01\x02", 0, data.rfind(SHEET.encode()))
    struct.pack_into("<I", data, at + 24, 1_000)
    return bytes(data)


def overlapping() -> bytes:
    """Two entries of the directory point at one part."""
    data = bytearray(workbook())
    second = data.find(b"PK\x01\x02", data.find(b"PK\x01\x02") + 4)
    struct.pack_into("<I", data, second + 42, 0)
    return bytes(data)


LAUGHS = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
BOMBS = {
    "ratio": workbook(**{SHEET: HEAD + b" " * 300_000_000}),
    "shared texts": workbook(**{"xl/sharedStrings.xml": b"<sst>" + b"<si><t>x</t></si>" * 5_000_000}),
    "nested": workbook(**{"xl/inner.zip": workbook()}),
    "lying sizes": lying(),
    "overlapping parts": overlapping(),
    "entities": workbook(**{SHEET: LAUGHS + HEAD + b"<row><c><v>&b;</v></c></row></sheetData></worksheet>"}),
    "entities in the workbook": workbook(**{"xl/workbook.xml": LAUGHS + PARTS["xl/workbook.xml"]}),
    "too many parts": workbook(**{f"xl/p{k}.xml": b"<a/>" for k in range(1_200)}),
    "too wide": workbook(**{SHEET: HEAD + b'<row r="1"><c r="XFD1"><v>1</v></c></row></sheetData></worksheet>'}),
    "cut off": workbook()[:-300],
    "not a workbook": workbook(**{"xl/workbook.xml": b"<html/>"}),
}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_bomb_is_refused_with_little_memory(kind: str) -> None:
    read = b"card,date,machine,action\n1,2020,A,seen\n"
    read_job_lines(read, file_name="warm up")
    tracemalloc.start()
    with pytest.raises(FileRefused) as caught:
        read_job_lines(BOMBS[kind], file_name="bomb.xlsx")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert caught.value.status in (413, 422)
    assert peak < 30_000_000  # openpyxl itself, read for the first time, takes some of that


def test_over_http_it_is_a_plain_refusal(gasket: Caller) -> None:
    for kind in ("entities", "nested", "overlapping parts", "too many parts"):
        response = gasket.post("/api/v1/imports", data={"file": (io.BytesIO(BOMBS[kind]), "b.xlsx")})
        assert (response.status_code in (413, 422), response.mimetype) == (True, "application/problem+json"), kind


# The form parser drops the part it has spooled without closing it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("length", [True, False])
def test_an_upload_larger_than_allowed_is_refused(gasket: Caller, length: bool) -> None:
    """The test application takes 1 MB."""
    head = b'--b\r\nContent-Disposition: form-data; name="file"; filename="a"\r\n\r\n'
    body = head + b"x" * 1_500_000 + b"\r\n--b--\r\n"
    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    options = {} if length else {"environ_overrides": {"wsgi.input_terminated": True, "CONTENT_LENGTH": ""}}
    response = gasket.post("/api/v1/imports", input_stream=io.BytesIO(body), headers=headers,
                           content_length=len(body) if length else None, **options)  # fmt: skip
    assert (response.status_code, response.mimetype) == (413, "application/problem+json")
