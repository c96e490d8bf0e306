"""Raw card lines read with the catalogue's words; the lines are the trade brief's own examples (invented)."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.imports.card_text import CardReading, Locale, read_card
from service.imports.words import CatalogueWords

WRITTEN_ON = date(2026, 1, 5)
UK = Locale("dmy", "left")


def read(words: CatalogueWords, *lines: str, locale: Locale = UK, on_record: tuple[str, ...] = ()) -> CardReading:
    return read_card(lines, words, locale=locale, written_on=WRITTEN_ON, on_record=dict.fromkeys(on_record, 1))


def told(found: CardReading) -> list[tuple[Any, ...]]:
    """Part, places, action and reason of every record."""
    return [(r.component, r.positions, r.action, r.reason) for r in found.records]


def open_about(found: CardReading) -> set[tuple[str, str]]:
    return {(doubt.kind, doubt.column) for doubt in found.doubts}
