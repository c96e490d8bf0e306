"""What is wrong with the files beyond single cells: lines keyed twice, cards in two shops, late renewals, a swapped
engine. Each defect is counted in what it returns, for the tests' answer sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from seed.world_cards import Card, Line
from seed.world_machines import MachineTable
from seed.world_params import COG, MODELS, MOTO_HALL, SALLOW, SHOPS
from seed.world_rows import COLUMN, Reading, Row

SHARED_CARDS = 40
REFUSED = 0.05  # share of parts found bad that the customer has renewed only weeks later
Sheet = list[list[tuple[Card, list[Row], Reading]]]


def put_off(machines: MachineTable, cards: list[Card], rng: np.random.Generator) -> list[Card]:
    """Some parts found bad stay on for some weeks: a line `checked_bad` now, the renewal on a card of its own."""
    by_key = {(card.machine, card.day): card for card in cards}
    for card in cards.copy():
        if not card.service:
            continue
        for k, line in enumerate(card.lines):
            if line.action == "renewed" and line.reason == "found_failed" and rng.random() < REFUSED:
                later = card.day + int(rng.integers(5, 40))
                if later >= machines.end[card.machine] or _touched(by_key, card.machine, card.day, later + 30, line):
                    continue
                key = (card.machine, later)
                if key not in by_key:
                    by_key[key] = Card(*key, service=False)
                by_key[key].lines.append(line)
                card.lines[k] = replace(
                    line, action="checked_bad", quality="", why=0, notes="advised, customer will come back"
                )
    return [by_key[key] for key in sorted(by_key)]


def _touched(by_key: dict[tuple[int, int], Card], machine: int, after: int, until: int, line: Line) -> bool:
    """True if the same part is named again within these days: then the renewal is not put off."""
    near = (by_key.get((machine, day)) for day in range(after + 1, until + 1))
    return any(other.component == line.component for card in near if card is not None for other in card.lines)


def swap_engine(machines: MachineTable, cards: Sequence[Card]) -> tuple[int, int] | None:
    """Two Parsons: the engine of the first, written off, goes into the second. Only the notes say so."""
    parson = next(k for k, model in enumerate(MODELS) if model.name == "Parson 800")
    donors = np.flatnonzero((machines.model == parson) & machines.gone)
    for donor in donors.tolist():
        last = next((c for c in reversed(cards) if c.machine == donor and c.lines[-1].action == "gone"), None)
        taker = next(
            (c for c in cards if c.service and c.machine != donor and machines.model[c.machine] == parson
             and machines.shop[c.machine] == machines.shop[donor] and 0 < c.day - machines.end[donor] < 300), None
        )  # fmt: skip
        if last is not None and taker is not None:
            last.lines[-1].notes = "written off, engine kept for another Parson"
            taker.lines[0].notes = "engine out of the written-off Parson fitted, own engine had a cracked case"
            return donor, taker.machine
    return None


def key_twice(sheet: Sheet, rng: np.random.Generator) -> int:
    """Moto Hall keys some lines twice: half of them the same row again, half on a card of its own days later."""
    shop = SHOPS[MOTO_HALL]
    counter, doubled = 0, 0
    extra: list[tuple[Card, list[Row], Reading]] = []
    for card, rows, reading in sheet[MOTO_HALL]:
        again: list[Row] = []
        for row in rows:
            if card.paper or not row[COLUMN["component"]] or rng.random() >= shop.duplicates * _lines_factor(rows):
                continue
            doubled += 1
            if rng.random() < 0.5:
                again.append(row)
            else:
                counter += 1
                extra.append((card, [_later_row(row, f"{shop.prefix}-R{counter:05d}", rng)], reading))
        rows.extend(again)
    sheet[MOTO_HALL].extend(extra)
    return doubled


def _lines_factor(rows: list[Row]) -> float:
    """Lines about the whole machine are never doubled; the others make up for them."""
    about_parts = sum(1 for row in rows if row[COLUMN["component"]])
    return len(rows) / max(about_parts, 1)


def _later_row(row: Row, number: str, rng: np.random.Generator) -> Row:
    cells = list(row)
    cells[COLUMN["card"]] = number
    later = date.fromisoformat(row[COLUMN["date"]]) + timedelta(days=int(rng.integers(1, 4)))
    cells[COLUMN["date"]] = later.isoformat()
    return tuple(cells)


def share_cards(machines: MachineTable, sheet: Sheet) -> list[str]:
    """Cog machines that changed hands: their last cards stand in Sallow's file too, word for word."""
    copied: list[tuple[Card, list[Row], Reading]] = []
    owners: dict[int, list[tuple[Card, list[Row], Reading]]] = {}
    for entry in sheet[COG]:
        if machines.gone[entry[0].machine] and not entry[0].paper:
            owners.setdefault(entry[0].machine, []).append(entry)
    for entries in owners.values():
        kept = [entry for entry in entries if all(line.action != "gone" for line in entry[0].lines)]
        copied.extend(kept[-5:])
        if len(copied) >= SHARED_CARDS:
            break
    copied = copied[:SHARED_CARDS]
    sheet[SALLOW].extend((card, list(rows), reading) for card, rows, reading in copied)
    return [card.number for card, _, _ in copied]
