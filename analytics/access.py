"""What comes off once for several jobs: which access groups lie open, and which are to be paid for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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


def way_in(wanted: Iterable[str], opened: Iterable[str], groups: Mapping[str, Access]) -> dict[str, str]:
    """For each wanted group the opened one that leads to it: itself by preference, no more covers than needed.

    Parameters
    ----------
    wanted, opened : iterable of str
        Ids; the opened ones together must lead to every wanted one. Opened ones are dropped from the end as long
        as the rest suffices.
    """
    wanted = set(wanted)
    reach = {g: opened_by(g, groups) & wanted for g in opened}
    kept = list(reach)
    for group in reversed(list(reach)):
        rest = [g for g in kept if g != group]
        if wanted <= set().union(*(reach[g] for g in rest)):
            kept = rest
    return {w: w if w in kept else next(g for g in kept if w in reach[g]) for w in wanted}
