"""The rows of a JSON Lines file: one object a line, its keys the columns."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from service.errors import FileRefused
from service.imports.faults import RowProblem, shorten

_INSTEAD = 'one JSON object a line, as in {"card": "1001", "date": "2019-03-12", "machine": "B7", "action": "seen"}'


def looks_like_json_lines(text: str) -> bool:
    """Whether the first thing in the file opens a JSON object."""
    return text[:1_000].lstrip()[:1] == "{"


def json_records(text: str) -> Iterator[tuple[int, list[str]]]:
    """The columns (those of all objects, in the order they first appear), then the cells of each object."""
    objects = list(_objects(text))
    columns = list(dict.fromkeys(name for _, found in objects for name in found))
    yield 1, columns
    for line, found in objects:
        yield line, [_text(line, name, found.get(name)) for name in columns]


def _objects(text: str) -> Iterator[tuple[int, dict[str, Any]]]:
    # Only line feeds end a line here: a text may hold the other characters that splitlines() cuts at.
    for line, written in enumerate(text.split("\n"), 1):
        if not written.strip():
            continue
        try:
            found = json.loads(written, object_pairs_hook=_once)
        except (ValueError, RecursionError) as error:
            raise _refused(line, written, f"it cannot be read as JSON ({error})") from error
        if not isinstance(found, dict):
            raise _refused(line, written, "it is not a JSON object")
        yield line, found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is there twice")
    return found


def _text(line: int, name: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return repr(value)
    raise _refused(line, json.dumps(value), f'"{shorten(name)}" holds neither a text nor a number')


def _refused(line: int, written: str, reason: str) -> FileRefused:
    problem = RowProblem(line, "row", shorten(written), reason, _INSTEAD)
    return FileRefused(f"line {line}: {reason}", problems=(problem,))
