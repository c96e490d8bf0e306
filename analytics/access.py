"""What comes off once for several jobs: which access groups lie open, and which are to be paid for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import combinations
from typing import Protocol


class Access(Protocol):
    """Anything with the ids of the groups that lie open with it."""

    @property
    def includes(self) -> tuple[str, ...]: ...


def opened_by(group: str, groups: Mapping[str, Access]) -> set[str]:
    """The group and all that lies open with it, however deep; a circle of includes does no harm."""
    found: set[str] = set()
    waiting = [group]
    while waiting:
        id_ = waiting.pop()
        if id_ not in found:
            found.add(id_)
            waiting += groups[id_].includes
    return found


def way_in(wanted: Iterable[str], groups: Mapping[str, Access], costs: Mapping[str, float]) -> dict[str, str]:
    """For each wanted group the one to open for it, so that all opened together cost least.

    Parameters
    ----------
    wanted : iterable of str
    groups, costs : mapping by id
        Every group that may be opened, and what opening it costs once (minutes, hours).

    Notes
    -----
    Exact: every set of wider covers is tried, what they leave is opened by itself. A wider cover is one that is
    wanted or not, and leads to a wanted group other than itself; a catalogue has a handful.
    """
    wanted = set(wanted)
    reach = {g: opened_by(g, groups) & wanted for g in groups}
    wider = [g for g in groups if reach[g] - {g}]
    covers = (set(c) for size in range(len(wider) + 1) for c in combinations(wider, size))
    best = min(
        (c | (wanted - set().union(*(reach[g] for g in c))) for c in covers),
        key=lambda opened: (sum(costs[g] for g in opened), len(opened), sorted(opened)),
    )
    return {w: w if w in best else min(g for g in best if w in reach[g]) for w in wanted}
