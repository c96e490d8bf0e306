"""Life records of one component from several places, put together; a machine two of them know is watched once."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from analytics.spells import Cell, Ints, Spells

_NAMES = ("cells", "positions", "shops")


def together(parts: Sequence[Spells]) -> Spells:
    """One set of life records from several; names are matched, machines keep the numbers they were given."""
    cells: dict[Cell, int] = {}
    positions: dict[str, int] = {}
    shops: dict[str, int] = {}
    renamed = []
    for part in parts:
        cell = _numbers(part.cells, cells)
        position = _numbers(part.positions, positions)
        shop = _numbers(part.shops, shops)
        renamed.append(
            replace(
                part,
                cell=cell[part.cell],
                position=np.where(part.position >= 0, position[part.position], -1),
                shop=shop[part.shop],
            )
        )
    columns = {
        f.name: np.concatenate([getattr(part, f.name) for part in renamed])
        for f in fields(Spells)
        if f.name not in _NAMES
    }
    return Spells(**columns, cells=tuple(cells), positions=tuple(positions), shops=tuple(shops))


def _numbers(names: Sequence[Hashable], known: dict[Any, int]) -> Ints:
    """Number of each name among all; one more at the end, for what has none."""
    return np.array([known.setdefault(name, len(known)) for name in names] + [-1], dtype=np.int64)


def watched_once(spells: Spells) -> Spells:
    """Cut what two shops watched of the same machine at the same time, so that nothing is counted twice.

    The shop that watched a place first keeps all it saw; the next one's watch begins where that ends. Its spells that
    lie before are dropped, one across the seam enters there (late entry, which the likelihood takes exactly).
    """
    key = spells.machine * (len(spells.positions) + 1) + spells.position + 1
    pairs = np.unique(np.column_stack([key, spells.shop]), axis=0)
    places, shops = np.unique(pairs[:, 0], return_counts=True) if len(pairs) else (key[:0], key[:0])
    keep = np.ones(len(spells), dtype=bool)
    entry_km, entry_days = spells.entry_km.copy(), spells.entry_days.copy()
    for place in places[shops > 1]:
        rows = np.flatnonzero(key == place)
        ends_km, ends_days = -np.inf, -np.inf
        first = {s: spells.entry_days[rows][spells.shop[rows] == s].min() for s in spells.shop[rows].tolist()}
        order = sorted(first, key=lambda shop: (first[shop], shop))
        for shop in order:
            own = rows[spells.shop[rows] == shop]
            before = (spells.exit_days[own] <= ends_days) | (spells.exit_km[own] <= ends_km)
            keep[own[before]] = False
            entry_km[own] = np.maximum(entry_km[own], ends_km)
            entry_days[own] = np.maximum(entry_days[own], ends_days)
            ends_km, ends_days = max(ends_km, spells.exit_km[own].max()), max(ends_days, spells.exit_days[own].max())
    return replace(
        spells,
        entry_km=entry_km,
        entry_days=entry_days,
        lower_km=np.maximum(spells.lower_km, entry_km),
        lower_days=np.maximum(spells.lower_days, entry_days),
    ).subset(keep)
