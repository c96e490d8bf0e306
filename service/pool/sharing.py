"""What a shop shares, row by row, as it is read by people, written to files, and taken in by others.

A row is one spell on coarse clocks. Machines are numbered anew for each component, in an order that says nothing: rows
of one machine cannot be followed from one component to the next. No reference, frame number, name, date or text.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.sharing_rule import MONTH_DAYS, coarsened
from analytics.spells import Floats, Ints, Outcome, Quality, Removal, Spells
from service.lifetimes import Dataset, read_dataset
from service.models import ComponentType, Machine, Shop
from service.pool.keys import pseudonym

COLUMNS = (
    "component", "make", "family", "model", "position", "stratum", "quality", "shop", "machine", "pseudonym",
    "start_km", "start_months", "not_original", "entry_km", "entry_months", "exit_km", "exit_months",
    "known_good_km", "known_good_months", "repaired_km", "repaired_months", "outcome", "removal", "weight",
)  # fmt: skip
# Pairs of columns and the clocks of a spell behind them.
CLOCKS = (("start", "start"), ("entry", "entry"), ("exit", "exit"), ("known_good", "lower"), ("repaired", "repair"))
_QUALITIES, _OUTCOMES, _REMOVALS = (
    {int(one): one.name.lower() for one in kind} for kind in (Quality, Outcome, Removal)
)
_NUMBERED = re.compile(r"\d{1,2}")


@dataclass(frozen=True)
class Shared:
    """Everything some shops share: coarse spells by component, and how to write the names in them."""

    spells: Mapping[str, Spells]
    machine_numbers: Mapping[str, Mapping[int, int]]  # by component: machine index -> number in that component
    pseudonyms: Mapping[int, str]
    shop_codes: tuple[str, ...]
    known_positions: frozenset[str]

    def __len__(self) -> int:
        return sum(len(own) for own in self.spells.values())

    def rows(self, first: int = 0, most: int | None = None) -> Iterator[dict[str, Any]]:
        """Rows in a fixed order, from number `first` on."""
        for row in self.values(first, most):
            yield dict(zip(COLUMNS, row, strict=True))

    def values(self, first: int = 0, most: int | None = None) -> Iterator[tuple[Any, ...]]:
        """The same without their names, in the order of `COLUMNS`."""
        left = len(self) if most is None else most
        for slug, own in self.spells.items():
            if first >= len(own):
                first -= len(own)
                continue
            numbers = np.array([self.machine_numbers[slug][m] for m in own.machine.tolist()])
            order = np.lexsort((own.entry_days, own.position, numbers))[first : first + left]
            columns = self._columns(slug, own, order) | {"machine": numbers[order].tolist()}
            yield from zip(*(columns[name] for name in COLUMNS), strict=True)
            left -= len(order)
            first = 0
            if left <= 0:
                return

    def _columns(self, slug: str, own: Spells, at: Ints) -> dict[str, list[Any]]:
        cells = [own.cells[c] for c in own.cell[at].tolist()]
        # -1, nowhere, is the last
        places = [*(self._position_class(name) for name in own.positions), None]
        columns: dict[str, list[Any]] = {
            "component": [slug] * len(at),
            "make": [cell.make for cell in cells],
            "family": [cell.family for cell in cells],
            "model": [cell.model for cell in cells],
            "position": [places[p] for p in own.position[at].tolist()],
            "stratum": [s if s >= 0 else None for s in own.stratum[at].tolist()],
            "quality": [_QUALITIES[q] for q in own.quality[at].tolist()],
            "shop": [self.shop_codes[s] for s in own.shop[at].tolist()],
            "pseudonym": [self.pseudonyms.get(m) for m in own.machine[at].tolist()],
            "not_original": [bool(flag) for flag in own.not_original[at].tolist()],
            "outcome": [_OUTCOMES[o] for o in own.outcome[at].tolist()],
            "removal": [_REMOVALS[r] for r in own.removal[at].tolist()],
            "weight": _written(own.weight[at], lambda weight: round(weight, 4)),
        }
        for name, stem in CLOCKS:
            columns[f"{name}_km"] = _written(getattr(own, f"{stem}_km")[at], _plain)
            columns[f"{name}_months"] = _written(getattr(own, f"{stem}_days")[at] / MONTH_DAYS, _plain)
        return columns

    def _position_class(self, position: str) -> str | None:
        """The trade's words for places; whatever else a shop wrote stays there."""
        return position if position in self.known_positions or _NUMBERED.fullmatch(position) else None


def _written(values: Floats, write: Callable[[float], Any]) -> list[Any]:
    """Each value as it is written; coarse clocks have few different ones."""
    different, which = np.unique(values, return_inverse=True)
    written = [write(value) for value in different.tolist()]
    return [written[k] for k in which.tolist()]


def _plain(value: float) -> float | int | None:
    if isnan(value):
        return None
    whole = round(value, 1)
    return int(whole) if whole == int(whole) else whole


def shared_by(
    session: Session,
    shop_ids: Sequence[int],
    *,
    pseudonym_key: str = "",
    positions: Mapping[str, Any] | None = None,
) -> Shared:
    """What some shops share now (or did at the moment the session reads as of).

    `positions` are those in use by all shops (`EstimateRelease.positions`): with the records of one shop alone it
    could not be told which places a model has.
    """
    dataset = read_dataset(session, shop_ids=shop_ids)
    if positions:
        dataset = _with_positions(session, dataset, positions)
    return of_dataset(session, dataset, dataset.life_records(), pseudonym_key)


def of_dataset(session: Session, dataset: Dataset, records: Mapping[str, Spells], pseudonym_key: str) -> Shared:
    """What a set of records shares."""
    machines = {row.id: row for row in session.execute(select(Machine.id, Machine.public_id, Machine.reference))}
    own = [machines[machine_id] for machine_id in dataset.machine_ids]
    names = {k: name for k, row in enumerate(own) if (name := pseudonym(pseudonym_key, row.reference))}
    codes = {row.name: shop_code(row.public_id.bytes) for row in session.execute(select(Shop.name, Shop.public_id))}
    numbers = {}
    for slug, spells in records.items():
        # Public ids are random: their digests order machines in a way that says nothing.
        order = sorted(
            np.unique(spells.machine).tolist(),
            key=lambda m: hashlib.sha256(own[m].public_id.bytes + slug.encode()).digest(),
        )
        numbers[slug] = {machine: number for number, machine in enumerate(order, start=1)}
    return Shared(
        {slug: coarsened(records[slug]) for slug in sorted(records)},
        numbers,
        names,
        tuple(codes[name] for name in dataset.names.shops),
        known_positions(session),
    )


def shop_code(public_id: bytes) -> str:
    """What a shop is called in the pool: the same in every file, and nobody's name."""
    return hashlib.sha256(b"pool" + public_id).hexdigest()[:12]


def known_positions(session: Session) -> frozenset[str]:
    """Places that the catalogue and the layouts of models name."""
    from service.models import ModelLayout

    found: set[str] = set()
    for document in session.scalars(select(ComponentType.document)):
        found.update(document["positions"])
    for layout in session.scalars(select(ModelLayout.document)):
        found.update((*layout["cylinders"], *layout["banks"]))
    return frozenset(found)


def _with_positions(session: Session, dataset: Dataset, positions: Mapping[str, Any]) -> Dataset:
    """The same records with the places that all shops' lines name."""
    names = list(dataset.names.positions)
    index = {name: k for k, name in enumerate(names)}
    for places in positions.values():
        for name in places["all"]:
            if name not in index:
                index[name] = len(names)
                names.append(name)
    fixed = {
        row.slug: row.document["position_rule"] == "fixed"
        for row in session.execute(select(ComponentType.slug, ComponentType.document))
    }
    components = []
    for units in dataset.components:
        places = positions.get(units.slug)
        if places is not None:
            by_cell = tuple(
                tuple(index[name] for name in _places(places, f"{c.make}/{c.family or c.model}", fixed[units.slug]))
                or (-1,)
                for c in dataset.names.cells
            )
            units = replace(units, positions_by_cell=by_cell)
        components.append(units)
    return replace(dataset, components=tuple(components), names=replace(dataset.names, positions=tuple(names)))


def _places(places: Mapping[str, Any], family: str, fixed: bool) -> Sequence[str]:
    found: Sequence[str] = places["by_family"].get(family) or (places["all"] if fixed else ())
    return found
