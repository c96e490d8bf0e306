"""Rows of a pool file back to life records: every value checked, the place of what cannot be used named."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any

import numpy as np

from analytics.sharing_rule import MONTH_DAYS
from analytics.spells import Cell, Outcome, Quality, Removal, Spells
from service.errors import InvalidInput
from service.pool.sharing import CLOCKS

MOST_KM, MOST_MONTHS = 3_000_000, 12 * 150
QUALITIES = {q.name.lower(): int(q) for q in Quality}
OUTCOMES = {o.name.lower(): int(o) for o in Outcome}
REMOVALS = {r.name.lower(): int(r) for r in Removal}


def check_row(row: dict[str, Any], line: int) -> dict[str, Any]:
    """The row, if it is one; else `InvalidInput` naming line and column."""
    for column, fits in _FITS.items():
        if not fits(row[column]):
            raise InvalidInput(f"line {line}, {column}: {row[column]!r} cannot be used")
    for clock in ("km", "months"):
        entry, exit_, start, good = (row[f"{stem}_{clock}"] for stem in ("entry", "exit", "start", "known_good"))
        if entry is None or exit_ is None or exit_ < entry:
            raise InvalidInput(f"line {line}, exit_{clock}: a spell runs from its entry to an exit not before it")
        if start is not None and start > exit_:
            raise InvalidInput(f"line {line}, start_{clock}: a part starts before its spell ends")
        if row["outcome"] == "failed_between" and (good is None or not entry <= good <= exit_):
            raise InvalidInput(f"line {line}, known_good_{clock}: it lies between entry and exit")
    return row


def _text(most: int, *, empty: bool = False) -> Callable[[Any], bool]:
    return lambda v: isinstance(v, str) and v.isprintable() and (empty or bool(v.strip())) and len(v) <= most


def _optional(fits: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda v: v is None or fits(v)


def _number(low: float, high: float) -> Callable[[Any], bool]:
    return lambda v: isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) and low <= v <= high


def _whole(low: int, high: int) -> Callable[[Any], bool]:
    return lambda v: isinstance(v, int) and not isinstance(v, bool) and low <= v <= high


def _word(known: Mapping[str, int]) -> Callable[[Any], bool]:
    return lambda v: isinstance(v, str) and v in known


_FITS: dict[str, Callable[[Any], bool]] = {
    "component": _text(60),
    "make": _text(80),
    "family": _text(80, empty=True),
    "model": _text(80),
    "position": _optional(_text(40)),
    "stratum": _optional(_whole(0, 1000)),
    "quality": _word(QUALITIES),
    "shop": _text(40),
    "machine": _whole(1, 100_000_000),
    "pseudonym": _optional(_text(64)),
    "not_original": lambda v: isinstance(v, bool),
    "outcome": _word(OUTCOMES),
    "removal": _word(REMOVALS),
    "weight": _number(1e-6, 1),
    **{f"{name}_km": _optional(_number(0, MOST_KM)) for name, _ in CLOCKS},
    **{f"{name}_months": _optional(_number(0, MOST_MONTHS)) for name, _ in CLOCKS},
}


def spells_of(
    rows: Sequence[Mapping[str, Any]], installation: str, machine_of: Callable[[Hashable, str | None], int]
) -> dict[str, Spells]:
    """Life records by component; `machine_of` numbers a machine by its key in the file and its pseudonym."""
    by_component: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        by_component.setdefault(row["component"], []).append(row)
    return {slug: _spells(own, installation, machine_of) for slug, own in by_component.items()}


def _spells(
    rows: Sequence[Mapping[str, Any]], installation: str, machine_of: Callable[[Hashable, str | None], int]
) -> Spells:
    cells: dict[Cell, int] = {}
    positions: dict[str, int] = {}
    shops: dict[str, int] = {}

    def whole(values: Sequence[int]) -> np.ndarray:
        return np.array(values, dtype=np.int64)

    clocks = {}
    for name, stem in CLOCKS:
        for column, clock, unit in ((f"{name}_km", "km", 1.0), (f"{name}_months", "days", MONTH_DAYS)):
            values = [np.nan if row[column] is None else row[column] * unit for row in rows]
            clocks[f"{stem}_{clock}"] = np.array(values, dtype=float)
    return Spells(
        machine=whole(
            [machine_of((installation, r["component"], r["shop"], r["machine"]), r["pseudonym"]) for r in rows]
        ),
        shop=whole([shops.setdefault(f"{installation}/{r['shop']}", len(shops)) for r in rows]),
        cell=whole([cells.setdefault(Cell(r["make"], r["family"], r["model"]), len(cells)) for r in rows]),
        position=whole(
            [-1 if r["position"] is None else positions.setdefault(r["position"], len(positions)) for r in rows]
        ),
        stratum=whole([-1 if r["stratum"] is None else r["stratum"] for r in rows]),
        quality=whole([QUALITIES[r["quality"]] for r in rows]),
        not_original=np.array([r["not_original"] for r in rows], dtype=bool),
        outcome=whole([OUTCOMES[r["outcome"]] for r in rows]),
        removal=whole([REMOVALS[r["removal"]] for r in rows]),
        weight=np.array([r["weight"] for r in rows], dtype=float),
        **clocks,
        cells=tuple(cells),
        positions=tuple(positions),
        shops=tuple(shops),
    )
