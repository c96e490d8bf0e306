"""Machine histories to life records: job lines in, one `Spells` a component out.

Question answered: what do these lines say about how long each part lived? A machine is under observation
from its first card to its last (late entry; never to "today"). Within that window every position of every
component its model carries is a part at risk, whether or not a line ever named it: the parts nobody had to
touch are most of the evidence. What each kind of line does is in `analytics.unit_life`.

Here is one machine, line by line, as a single question needs it; `analytics.fleet_records` makes the life records of
whole fleets over columns, by the same rules.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.fleet_records import life_records, positions_in_use
from analytics.history_types import ComponentUnits, Lines, Machines, Names
from analytics.odometer import TYPICAL_KM_PER_DAY, Clocks, place_lines
from analytics.spells import Floats, Ints
from analytics.unit_life import Event, Watch


@dataclass(frozen=True)
class Placed:
    """One machine's window of observation and its lines, placed on the machine's clocks and in order of time."""

    watch: Watch
    # (component, position, event); component -1 for lines about the machine as a whole
    events: tuple[tuple[int, int, Event], ...]
    new_day: float
    clocks: Clocks
    order: tuple[int, ...]


def place_machine(lines: Lines, rows: slice, new_day: float) -> Placed | None:
    """Put one machine's lines on its clocks; None where no card ever saw the machine."""
    day, reading = lines.day[rows], lines.reading_km[rows]
    doubt = np.asarray(lines.in_doubt[rows], dtype=bool)
    separate = np.zeros(len(day), dtype=bool) if lines.separate is None else lines.separate[rows]
    action, source = lines.action[rows], lines.source[rows]
    if np.isnan(new_day):
        new_day = guess_new_day(day, reading)
    order = np.lexsort((np.arange(len(day)), sort_days(day, reading, new_day)))
    changed = np.array([action[i] == "clock_changed" for i in order])
    trusted = np.where(doubt, np.nan, reading)[order]
    trusted = np.where(changed, reading[order], trusted)
    clocks = place_lines(day[order] - new_day, trusted, changed, lines.card[rows][order].astype(float))
    # A date known to the month only may stand before a reading of the same month: neither clock runs backwards.
    km, days = (np.where(np.isnan(c), np.nan, np.fmax.accumulate(np.fmax(c, 0.0))) for c in (clocks.km, clocks.days))
    watch = _watch(km, days, [(action[i], source[i], lines.reason[rows][i], bool(doubt[i])) for i in order],
                   lines.card[rows][order])  # fmt: skip
    if watch is None:
        return None
    events = tuple(
        (
            int(lines.component[rows][i]),
            int(lines.position[rows][i]),
            Event(float(km[k]), float(days[k]), action[i], lines.reason[rows][i], source[i],
                  int(lines.quality[rows][i]), bool(doubt[i]), bool(separate[i])),
        )
        for k, i in enumerate(order)
    )  # fmt: skip
    return Placed(watch, events, new_day, clocks, tuple(int(i) for i in order))


def guess_new_day(day: Floats, reading: Floats) -> float:
    """A machine without build year is taken to have run the typical distance a year until first sight."""
    both = ~(np.isnan(day) | np.isnan(reading))
    if both.any():
        first = int(np.flatnonzero(both)[0])
        return float(day[first] - reading[first] / TYPICAL_KM_PER_DAY)
    return float(np.nanmin(day)) if (~np.isnan(day)).any() else 0.0


def sort_days(day: Floats, reading: Floats, new_day: float) -> Floats:
    """Days to sort by: undated lines with a reading go between their neighbours, others to the front."""
    sort_days = day.copy()
    both = ~(np.isnan(day) | np.isnan(reading))
    only_km = np.isnan(day) & ~np.isnan(reading)
    if only_km.any() and both.any():
        order = np.argsort(reading[both], kind="stable")
        known_km = np.concatenate([[0.0], reading[both][order]])
        known_day = np.maximum.accumulate(np.concatenate([[new_day], day[both][order]]))
        sort_days[only_km] = np.interp(reading[only_km], known_km, known_day)
    return np.where(np.isnan(sort_days), -np.inf, sort_days)


_HEALTHY_REASONS = frozenset({"scheduled", "while_apart", "worn_to_limit", "upgrade", "campaign", "owner_wish"})


def _watch(km: Floats, days: Floats, said: list[tuple[str, str, str, bool]], cards: Ints) -> Watch | None:
    """The window from the first card to the last; a line in doubt opens and closes nothing."""
    sure = [
        k
        for k, (_, source, _, doubt) in enumerate(said)
        if source == "card" and not doubt and km[k] == km[k] and days[k] == days[k]
    ]
    if not sure:
        return None
    gone = [k for k in sure if said[k][0] == "gone"]
    last = gone[0] if gone else sure[-1]
    sure = [k for k in sure if k <= last]
    final_card = [said[k] for k in sure if cards[k] == cards[last]]
    seen = [k for k in sure if said[k][0] == "seen"]
    return Watch(
        float(km[sure[0]]), float(days[sure[0]]),
        max(float(km[sure[0]]), float(km[last])), max(float(days[sure[0]]), float(days[last])),
        bool(gone), not gone and _only_failures(final_card),
        tuple(float(days[k]) for k in seen), tuple(float(km[k]) for k in seen),
    )  # fmt: skip


def _only_failures(card: list[tuple[str, str, str, bool]]) -> bool:
    """True where nothing but a failure brought the machine in."""
    healthy = any(
        action in ("seen", "checked_good", "original") or (action == "renewed" and reason in _HEALTHY_REASONS)
        for action, _, reason, _ in card
    )
    failed = any(action in ("renewed", "repaired") and reason in ("failed", "unknown") for action, _, reason, _ in card)
    return failed and not healthy


def machine_slices(machine: Ints) -> list[tuple[int, slice]]:
    """(machine, rows) for lines sorted by machine."""
    if not len(machine):
        return []
    starts = np.flatnonzero(np.concatenate([[True], np.diff(machine) != 0]))
    ends = np.append(starts[1:], len(machine))
    return [(int(machine[a]), slice(int(a), int(b))) for a, b in zip(starts, ends, strict=True)]


__all__ = ["ComponentUnits", "Lines", "Machines", "Names", "Placed", "life_records", "machine_slices", "place_machine",
           "positions_in_use"]  # fmt: skip
