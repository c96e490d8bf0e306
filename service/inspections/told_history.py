"""What somebody tells of a described machine's parts, checked against the catalogue and put in its words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analytics.spells import Cell
from service.errors import InvalidInput
from service.imports.dates import read_date
from service.imports.words import ComponentWord, match_position
from service.inspections.part_states import is_absent, new_day_of, positions_on_record
from service.inspections.serving import Snapshot
from service.said import Part, say


def checked_history(asked: Mapping[str, Any], cell: Cell, snapshot: Snapshot) -> tuple[list[dict[str, Any]], list[str]]:
    """The told history with known components and positions, and what should be said about it."""
    history: list[dict[str, Any]] = []
    notes: list[str] = []
    layout, new_day = snapshot.layout(cell), new_day_of(asked["machine"])
    for number, item in enumerate(asked["history"]):
        slug = item["component"]
        if slug not in snapshot.documents:
            raise InvalidInput(
                f"{slug!r} is not a component of the catalogue; GET /api/v1/components lists them",
                pointer=f"/history/{number}/component",
            )
        _check_date(asked["machine"], item, number)
        position = _position(item["position"], slug, cell, snapshot, number)
        if is_absent(slug, layout, new_day):
            part = Part(slug, snapshot.documents[slug]["name"])
            notes.append(say("%(part)s: this model has none, so what was told of it is left out.", part=part))
        else:
            history.append({**item, "position": position})
    return history, notes


def _position(text: str | None, slug: str, cell: Cell, snapshot: Snapshot, number: int) -> str | None:
    if not text:
        return None
    document = snapshot.documents[slug]
    word = ComponentWord(0, slug, document["name"], document["position_rule"], tuple(document["positions"]))
    match = match_position(word, text)
    known = positions_on_record(slug, snapshot, cell)
    if match.kind or (known and match.position not in known):
        instead = f"one of {', '.join(known or document['positions'])}" if known or document["positions"] else "null"
        raise InvalidInput(
            say("%(text)s is no position of %(part)s here; write %(instead)s", text=repr(text), part=slug,
                 instead=instead),
            pointer=f"/history/{number}/position",
        )  # fmt: skip
    return match.position


def _check_date(machine: Mapping[str, Any], item: Mapping[str, Any], number: int) -> None:
    if item["date"] and machine["built"] and read_date(item["date"]).latest < read_date(machine["built"]).earliest:
        raise InvalidInput(
            say("%(day)s lies before the machine was built (%(built)s)", day=item["date"], built=machine["built"]),
            pointer=f"/history/{number}/date",
        )
