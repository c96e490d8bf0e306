"""Is a zip archive what it says it is, and small enough to open? Looked at before anything is unpacked."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from itertools import pairwise

from service.errors import FileRefused, FileTooLarge

MOST_PARTS = 1_000
MOST_UNPACKED = 600 * 1024 * 1024
MOST_UNPACKED_OF_A_PART = 500 * 1024 * 1024
MOST_SHARED_TEXT = 64 * 1024 * 1024  # read as a whole
# Sheets of job lines pack 10 to 30 times smaller (measured on our own files), the same cell over and over 1,000 times.
MOST_RATIO = 150
RATIO_FROM = 1024 * 1024
_HEADER = 30  # bytes of a part's own header at least
_NESTED = re.compile(r"\.(zip|xlsx|xlsm|docx|gz|bz2|xz|7z|rar|jar)$", re.IGNORECASE)
_DECLARES = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
LOOKED_AT = 64 * 1024


def check_archive(content: bytes) -> zipfile.ZipFile:
    """The archive, opened; raises `FileTooLarge` (413) or `FileRefused` (422) for one that would burst."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, ValueError, OSError, EOFError) as error:
        raise FileRefused("the file begins like a workbook and cannot be opened as one; save it anew") from error
    parts = archive.infolist()
    if len(parts) > MOST_PARTS:
        raise FileTooLarge(f"the workbook has {len(parts):,} parts; at most {MOST_PARTS:,} are opened")
    _check_sizes(parts)
    _check_layout(parts, len(content))
    for part in parts:
        if part.flag_bits & 0x1:
            raise FileRefused("the workbook is encrypted; save it without a password")
        if _NESTED.search(part.filename):
            raise FileRefused(f"the workbook holds another archive ({part.filename[:60]!r}); save the sheet alone")
        if part.filename.lower().endswith((".xml", ".rels")):
            _check_markup(archive, part)
    return archive


def _check_sizes(parts: list[zipfile.ZipInfo]) -> None:
    total = sum(part.file_size for part in parts)
    if total > MOST_UNPACKED:
        raise FileTooLarge(
            f"the workbook unpacks to {total / 2**20:,.0f} MiB; at most {MOST_UNPACKED // 2**20} are read"
        )
    for part in parts:
        ratio = part.file_size / max(part.compress_size, 1)
        if part.file_size > RATIO_FROM and ratio > MOST_RATIO:
            raise FileTooLarge(
                f"a part of the workbook unpacks to {ratio:,.0f} times its size; at most {MOST_RATIO} times is opened: "
                "delete empty rows and columns that are formatted, and save it anew"
            )
        shared = part.filename.lower().endswith("sharedstrings.xml") and part.file_size > MOST_SHARED_TEXT
        if shared or part.file_size > MOST_UNPACKED_OF_A_PART:
            raise FileTooLarge(f"{part.filename[:60]!r} unpacks to {part.file_size / 2**20:,.0f} MiB; save it as CSV")


def _check_layout(parts: list[zipfile.ZipInfo], size: int) -> None:
    """Parts that lie over one another are how a small archive becomes a huge one (D. Fifield, WOOT 2019)."""
    spans = sorted((p.header_offset, p.header_offset + _HEADER + len(p.orig_filename) + p.compress_size) for p in parts)
    for (_, end), (start, _) in pairwise(spans):
        if start < end:
            raise FileRefused("parts of the workbook lie over one another; save it anew")
    if spans and spans[-1][1] > size:
        raise FileRefused("the workbook is cut off; send it again")


def _check_markup(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    """No part declares entities, which could be made to grow without end; workbooks never need them."""
    try:
        with archive.open(part) as stream:
            head = stream.read(LOOKED_AT)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as error:
        raise FileRefused(f"{part.filename[:60]!r} in the workbook is damaged; save it anew") from error
    if _DECLARES.search(head) or _DECLARES.search(head.replace(b"\0", b"")):
        raise FileRefused(f"{part.filename[:60]!r} in the workbook declares entities, which are not read")


def is_workbook(content: bytes) -> bool:
    """Whether a zip archive is meant to be a workbook; says nothing about what is in it."""
    return content.startswith(b"PK\x03\x04") and b"xl/" in content
