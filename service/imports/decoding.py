"""From bytes to text: marks and UTF-8 first, then what the caller said, then what the bytes look like, and say so."""

from __future__ import annotations

import codecs
import csv
from typing import NamedTuple

from service.errors import FileRefused
from service.imports.faults import RowProblem, shorten

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_OTHER_KINDS = (
    (b"PK\x03\x04", "a zip archive that holds no workbook"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook of the old binary kind"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"%PDF", "a PDF document"),
    (b"PAR1", "a Parquet file, which only goes out"),
)
_SAVE_AS = 'save the file as "CSV UTF-8" or as an .xlsx workbook'
# One byte a character; what the offices of Europe and America write. Windows-1252 holds all of Latin-1's letters.
_ONE_BYTE = ("cp1252", "latin_1", "cp1250", "cp1251", "cp1253", "cp1254", "iso8859_2", "cp850", "mac_roman")
KNOWN_ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "utf-32", *_ONE_BYTE, "iso8859_15", "cp437")
SAMPLE_BYTES = 100_000


class Decoded(NamedTuple):
    """The text of a file, the encoding it was read by, and how that was known: mark, given, utf-8 or detected."""

    text: str
    encoding: str
    known_by: str


def as_text(content: bytes, encoding: str | None = None) -> Decoded:
    """The text of a file; raises `FileRefused` where it is none."""
    for start, codec, name in _MARKS:
        if content.startswith(start):
            return Decoded(_strictly(content, codec, name), name, "mark")
    for start, kind in _OTHER_KINDS:
        if content.startswith(start):
            raise FileRefused(f"the file is {kind}, not CSV; {_SAVE_AS}")
    if encoding is not None:
        return Decoded(_strictly(content, _known(encoding), encoding), encoding, "given")
    if wide := _without_mark(content):
        return Decoded(_strictly(content, wide, "UTF-16"), "UTF-16", "detected")
    zero = content.find(b"\0")
    if zero >= 0:
        raise _refused(content, zero, "a zero byte, which text never has: this may not be a CSV file")
    try:
        return Decoded(content.decode("utf-8"), "UTF-8", "utf-8")
    except UnicodeDecodeError as error:
        found = _detected(content)
        if found is None:
            raise _refused(
                content, error.start, f"the byte {content[error.start]:#04x}, which is not UTF-8 there"
            ) from error
        return Decoded(content.decode(found), found, "detected")


def _known(encoding: str) -> str:
    try:
        name = codecs.lookup(encoding).name
    except LookupError:
        name = ""
    if name not in {codecs.lookup(known).name for known in KNOWN_ENCODINGS}:
        raise FileRefused(
            f'the encoding "{shorten(encoding)}" is not known; write one of {", ".join(KNOWN_ENCODINGS)}',
            pointer="/encoding",
        )
    return name


def _strictly(content: bytes, codec: str, name: str) -> str:
    try:
        text = content.decode(codec)
    except UnicodeDecodeError as error:
        at = min(error.start, len(content) - 1)
        if codec in ("utf-8", "utf-8-sig"):
            # The codec counts from behind the byte order mark.
            at += 3 if content.startswith(codecs.BOM_UTF8) else 0
            raise _refused(content, at, f"the byte {content[at]:#04x}, which is not UTF-8 there") from error
        raise FileRefused(f"the file is not {name}: byte {at:,} does not fit; {_SAVE_AS}") from error
    zero = text.find("\0")
    if zero >= 0:
        line = text.count("\n", 0, zero) + 1
        problem = RowProblem(line, "row", "", "the row holds a zero character", f"the file anew: {_SAVE_AS}")
        raise FileRefused(f"line {line}: {problem.reason}, which text never has", problems=(problem,))
    return text


def _without_mark(content: bytes) -> str | None:
    """UTF-16 without its mark: the header's plain letters leave every second byte zero."""
    head = content[:400]
    if len(head) < 8 or len(content) % 2:
        return None
    low, high = head[0::2], head[1::2]
    if high.count(0) > 0.9 * len(high) and low.count(0) == 0:
        return "utf-16-le"
    if low.count(0) > 0.9 * len(low) and high.count(0) == 0:
        return "utf-16-be"
    return None


def _detected(content: bytes) -> str | None:
    """The likeliest one-byte encoding of lines that are not plain letters; None where nothing fits text."""
    sample = b"\n".join(_telling_lines(content))
    if not sample or sum(byte < 9 or 13 < byte < 32 for byte in sample) > len(sample) // 100:
        return None
    from charset_normalizer import from_bytes

    found = from_bytes(sample, cp_isolation=list(_ONE_BYTE), preemptive_behaviour=False)
    ranked = [name for match in found for name in match.could_be_from_charset]
    # Windows-1252 where it does as well as the best: with few accents many tables read alike.
    for name in ("cp1252", *ranked):
        if name in ranked or not ranked:
            try:
                content.decode(name)
            except UnicodeDecodeError:
                continue
            return name
    return None


def _telling_lines(content: bytes) -> list[bytes]:
    telling, size = [], 0
    for line in content.split(b"\n"):
        if not line.isascii():
            telling.append(line[:SAMPLE_BYTES])
            size += len(line)
            if size > SAMPLE_BYTES:
                break
    return telling


def _refused(content: bytes, at: int, what: str) -> FileRefused:
    line = content.count(b"\n", 0, at) + 1
    start = content.rfind(b"\n", 0, at) + 1
    end = content.find(b"\n", at)
    whole = content[start : end if end >= 0 else len(content)]
    column, value = _cell_at(content, whole[:2_000], at - start)
    reason = f"the cell holds {what}"
    problem = RowProblem(line, column, shorten(value), reason, f"the file anew: {_SAVE_AS}")
    return FileRefused(f"line {line}, column {column}: {reason}; {_SAVE_AS}", problems=(problem,))


def _cell_at(content: bytes, line: bytes, offset: int) -> tuple[str, str]:
    """Name of the column and the cell around a byte, read as Windows-1252 just to show it."""
    try:
        names = next(csv.reader([_shown(content[: content.find(b"\n") + 1 or 2_000][:2_000])]))
        before = next(csv.reader([_shown(line[: offset + 1])]))
        cells = next(csv.reader([_shown(line)]))
        index = len(before) - 1
        return names[index].strip(), cells[index]
    except (csv.Error, StopIteration, IndexError):
        return "row", _shown(line[max(0, offset - 20) : offset + 20])


def _shown(part: bytes) -> str:
    return part.decode("cp1252", "replace").replace("\0", "\ufffd").rstrip("\r\n")
