"""Fleets taken apart and put together: some machines, some lines, some machines in the place of others."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.fleet_clocks import FleetLines
from analytics.spells import Bools, Ints

_PER_MACHINE = ("machine", "new_day", "start_km", "start_days", "end_km", "end_days", "gone", "ends_on_failure")
_PER_LINE = ("km", "days", "component", "position", "action", "reason", "from_card", "quality", "in_doubt", "separate")
_PER_SIGHTING = ("seen_days", "seen_km")


def pick_machines(fleet: FleetLines, wanted: Bools) -> FleetLines:
    """Some of the machines, (m,), with their lines."""
    seen = np.repeat(wanted, np.diff(fleet.seen_from))
    line = np.flatnonzero(wanted[fleet.owner])
    return replace(
        fleet,
        **{name: getattr(fleet, name)[wanted] for name in _PER_MACHINE},
        **{name: getattr(fleet, name)[line] for name in _PER_LINE},
        **{name: getattr(fleet, name)[seen] for name in _PER_SIGHTING},
        owner=(np.cumsum(wanted) - 1)[fleet.owner[line]],
        seen_from=np.concatenate([[0], np.cumsum(np.diff(fleet.seen_from)[wanted])]),
    )


def pick_lines(fleet: FleetLines, wanted: Bools) -> FleetLines:
    """All machines with some of their lines, (n,)."""
    return replace(fleet, **{name: getattr(fleet, name)[wanted] for name in ("owner", *_PER_LINE)})


class _Run(NamedTuple):
    """Machines that stand together in one of two fleets, from one place to before another."""

    second: bool
    first: int
    end: int


def exchange_machines(one: FleetLines, gone: Bools, two: FleetLines) -> FleetLines:
    """The first fleet without some of its machines, (m,), and with those of a second, in the order of `machine`.

    No machine may then be in both. What stands together is moved as a whole: the fewer machines, the less work.
    """
    runs = list(_runs(one.machine, gone, two.machine))
    fleets = (one, two)
    lines = [np.searchsorted(f.owner, np.arange(len(f.machine) + 1)) for f in fleets]
    by_machine, by_line, by_sighting = (
        _mover(runs, fleets, starts) for starts in (None, lines, [f.seen_from for f in fleets])
    )
    count = [np.diff(starts) for starts in lines]
    sightings = [np.diff(f.seen_from) for f in fleets]
    own, seen = (
        np.concatenate([values[r.second][r.first : r.end] for r in runs] or [np.zeros(0, dtype=np.int64)])
        for values in (count, sightings)
    )
    return FleetLines(
        **{name: by_machine(name) for name in _PER_MACHINE},
        **{name: by_line(name) for name in _PER_LINE},
        **{name: by_sighting(name) for name in _PER_SIGHTING},
        owner=np.repeat(np.arange(len(own)), own),
        seen_from=np.concatenate([[0], np.cumsum(seen)]),
    )


def _mover(
    runs: list[_Run], fleets: tuple[FleetLines, FleetLines], starts: list[Ints] | None
) -> Callable[[str], NDArray[Any]]:
    """Puts a column together; `starts` says where each machine's rows begin, None: one row each."""

    def moved(name: str) -> NDArray[Any]:
        columns = [getattr(fleet, name) for fleet in fleets]
        parts = [columns[0][:0]]
        for second, first, end in runs:
            rows = slice(first, end) if starts is None else slice(starts[second][first], starts[second][end])
            parts.append(columns[second][rows])
        return np.concatenate(parts)

    return moved


def _runs(one: Ints, gone: Bools, two: Ints) -> Iterator[_Run]:
    """Runs of both fleets' machines in the order of their keys; both rise."""
    at = np.searchsorted(one, two)
    cuts = np.unique(np.concatenate([[0], np.flatnonzero(gone), np.flatnonzero(gone) + 1, at, [len(one)]]))
    taken = 0
    for first, end in zip(cuts.tolist(), [*cuts.tolist()[1:], len(one)], strict=True):
        come = int(np.searchsorted(at, first, side="right"))
        if come > taken:
            yield _Run(True, taken, come)
            taken = come
        if end > first and not gone[first]:
            yield _Run(False, first, end)
