"""One job on two cards, or the same part again within days: asked about, and one event until someone says otherwise."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from itertools import pairwise
from typing import NamedTuple

from service.imports.histories import Finding, HistoryLine

# The rule of the trade brief for two entries of one event (invented); the life records use the same figures.
ONE_EVENT_DAYS = 14
ONE_EVENT_KM = 300.0


class NearPair(NamedTuple):
    """Two renewals of one part on two cards; `again` is the one the question is asked of."""

    first: HistoryLine
    again: HistoryLine
    kind: str


def near_pairs(lines: Sequence[HistoryLine]) -> list[NearPair]:
    """Renewals of one part of one machine, on two cards, within 14 days and 300 km of each other."""
    parts: dict[Hashable, list[HistoryLine]] = defaultdict(list)
    for line in lines:
        if line.action == "renewed" and line.source == "card" and line.component is not None and line.earliest:
            parts[line.component, line.position].append(line)
    found = []
    for renewals in parts.values():
        renewals.sort(key=lambda line: (line.earliest, line.order))
        for first, again in pairwise(renewals):
            if first.card != again.card and _near(first, again):
                found.append(NearPair(first, again, "duplicate_card" if _same(first, again) else "comeback"))
    return found


def find_near_events(lines: Sequence[HistoryLine]) -> list[Finding]:
    """A question for each such pair."""
    return [_finding(pair) for pair in near_pairs(lines)]


def _near(first: HistoryLine, again: HistoryLine) -> bool:
    assert first.earliest is not None and again.earliest is not None
    if (again.earliest - first.earliest).days > ONE_EVENT_DAYS or first.latest != first.earliest:
        return False
    if first.odometer_km is None or again.odometer_km is None:
        return True
    return abs(again.odometer_km - first.odometer_km) <= ONE_EVENT_KM


def _same(first: HistoryLine, again: HistoryLine) -> bool:
    return first.earliest == again.earliest and first.odometer_km == again.odometer_km


def _finding(pair: NearPair) -> Finding:
    if pair.kind == "duplicate_card":
        detail = (
            f"card {pair.first.card} bears the same work of the same day and reading; until it is said that they are "
            "two jobs, they count as one"
        )
    else:
        detail = (
            f"the same part was renewed on card {pair.first.card} a few days before; a faulty new part, a wrong "
            "diagnosis or the fitting? Until it is said that they are two events, they count as one"
        )
    return Finding(pair.again.order, pair.kind, "card", str(pair.again.card), detail)
