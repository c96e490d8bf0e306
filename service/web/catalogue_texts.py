"""The texts of the catalogue that pages show in the reader's language; how a check is done stays English."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, BinaryIO

FIELDS = {
    "components": ("name",),
    "checks": ("title",),
    "cautions": ("title", "text"),
    "symptoms": ("title",),
    "history_facts": ("title",),
    "access_groups": ("what",),
}


def extract(file: BinaryIO, *_asked: Any, **_options: Any) -> Iterator[tuple[int, str, str, list[str]]]:
    """A method of extraction for Babel: line, function, text and comments of each text of a catalogue's file."""
    for kind, entries in json.load(file).items():
        for field in FIELDS.get(kind, ()):
            yield from ((1, "_", entry[field], []) for entry in entries)
