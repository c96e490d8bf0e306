"""Contradictions in one machine's whole history. Pure: lines in, findings out, "today" passed in.

Every line stays as it was written; a finding only says why it is kept out of fits and what would settle it.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Mapping, Sequence
from datetime import date, timedelta

from service.imports.histories import ClockChanges, Finding, HistoryLine, MachineStart
from service.imports.odometer_doubts import find_odometer_doubts

# What each kind means, in a few words; the order is the one of reports.
DOUBT_KINDS: Mapping[str, str] = {
    "unknown_word": "a part the catalogue does not know by that word",
    "ambiguous_word": "a word that can mean more than one part",
    "position_unclear": "a position the part does not have",
    "not_on_model": "a part that machines of this model do not carry",
    "odometer_falls": "an odometer that falls",
    "usage_implausible": "more distance than the days between allow",
    "filler_reading": "a reading that looks made up",
    "clocks_disagree": "rows of one card that disagree on date or odometer",
    "clock_gap_unknown": "a clock change without the old clock's reading",
    "future_date": "a date in the future",
    "before_built": "work before the machine was built",
    "gone_then_seen": "work after the machine was gone",
    "machine_differs": "make, model or build that differ from what is known of the machine",
    "duplicate_reference": "a reference that differs from another only in look-alike characters",
    "duplicate_card": "the same work on the same day on two cards",
    "comeback": "the same part again within days",
    "misdiagnosis": "a part that was renewed though another was the cause",
    "date_order": "a date that another order of day and month reads otherwise",
    "text_unclear": "a card's free text that leaves something open",
}
# Found by looking at the whole history, so they can come and go as further rows arrive.
HISTORY_KINDS = frozenset(
    {
        "odometer_falls",
        "usage_implausible",
        "filler_reading",
        "clocks_disagree",
        "clock_gap_unknown",
        "future_date",
        "before_built",
        "gone_then_seen",
        "duplicate_card",
        "comeback",
    }
)
_FILLER = re.compile(r"(?:(\d)\1{4,}|1234|12345|123456|1234567)(?:\.0+)?", re.ASCII)
# A machine is handed over with a few km on its clock; up to this age a reading of 0 is taken at its word (invented).
NEW_DAYS = 180
# A test ride between the reading taken in and the one given out (invented).
TEST_RIDE_KM = 25.0


def find_contradictions(lines: Sequence[HistoryLine], start: MachineStart, today: date) -> list[Finding]:
    """Everything in one machine's history that cannot be true as written."""
    changes = ClockChanges(lines)
    found = [finding for line in lines for finding in _about_one_line(line, start, today)]
    found += _disagreeing_cards(lines, changes)
    left_out = {finding.order for finding in found}
    found += find_odometer_doubts(lines, changes, start, left_out)
    found += _clock_gaps(lines)
    found += _after_gone(lines)
    return found


def _about_one_line(line: HistoryLine, start: MachineStart, today: date) -> list[Finding]:
    found = []
    if line.earliest is not None and line.latest is not None:
        written = _written(line.earliest, line.latest)
        if line.earliest > today:
            detail = f"the date lies after {today.isoformat()}, the day of the import; the right date settles it"
            found.append(Finding(line.order, "future_date", "date", written, detail))
        elif start.earliest is not None and line.latest < start.earliest:
            detail = f"the date lies before the machine was there ({start.basis}); the right one of the two settles it"
            found.append(Finding(line.order, "before_built", "date", written, detail))
    if line.odometer_km is not None and _is_filler(line, start):
        detail = "a reading that is often written when nobody looked; the reading itself settles it, or an empty cell"
        found.append(Finding(line.order, "filler_reading", "odometer", line.shown, detail))
    return found


def _written(earliest: date, latest: date) -> str:
    return earliest.isoformat() if earliest == latest else f"{earliest.isoformat()} to {latest.isoformat()}"


def _is_filler(line: HistoryLine, start: MachineStart) -> bool:
    if _FILLER.fullmatch(line.reading):
        return True
    if line.odometer_km or line.action in ("clock_changed", "original"):
        return False
    if line.earliest is None or start.latest is None:
        return True
    return line.earliest > start.latest + timedelta(days=NEW_DAYS)


def _disagreeing_cards(lines: Sequence[HistoryLine], changes: ClockChanges) -> list[Finding]:
    cards: dict[Hashable, list[HistoryLine]] = defaultdict(list)
    for line in lines:
        if line.source == "card":
            cards[line.card].append(line)
    found: list[Finding] = []
    for rows in cards.values():
        if len(rows) > 1:
            found += _disagreeing_dates(rows)
            found += _disagreeing_readings(rows, changes)
    return found


def _disagreeing_dates(rows: list[HistoryLine]) -> list[Finding]:
    dated = [row for row in rows if row.earliest is not None and row.latest is not None]
    if len(dated) < 2:
        return []
    if max(row.earliest for row in dated if row.earliest) <= min(row.latest for row in dated if row.latest):
        return []
    detail = "rows of one card bear different dates; the day of the job on all of them, or two card numbers, settles it"
    odd = _odd_ones(dated, lambda row: (row.earliest, row.latest))
    return [
        Finding(row.order, "clocks_disagree", "date", _written(row.earliest, row.latest), detail)
        for row in odd
        if row.earliest is not None and row.latest is not None
    ]


def _disagreeing_readings(rows: list[HistoryLine], changes: ClockChanges) -> list[Finding]:
    clocks: dict[int | None, list[HistoryLine]] = defaultdict(list)
    for row in rows:
        if row.odometer_km is not None:
            clocks[changes.segment(row)].append(row)
    found = []
    for readings in clocks.values():
        kms = [row.odometer_km or 0.0 for row in readings]
        if max(kms) - min(kms) > TEST_RIDE_KM:
            detail = (
                "rows of one card bear different odometer readings of one clock; the right reading on all of them "
                "settles it, or a clock_changed row behind the rows that hold the old clock's reading"
            )
            found += [
                Finding(row.order, "clocks_disagree", "odometer", row.shown, detail)
                for row in _odd_ones(readings, lambda row: row.odometer_km)
            ]
    return found


def _odd_ones(rows: list[HistoryLine], value: Callable[[HistoryLine], Hashable]) -> list[HistoryLine]:
    """Rows that differ from what more than half of the rows say; all rows if there is no such half."""
    usual, count = Counter(value(row) for row in rows).most_common(1)[0]
    return [row for row in rows if value(row) != usual] if 2 * count > len(rows) else rows


def _clock_gaps(lines: Sequence[HistoryLine]) -> list[Finding]:
    changed = [line for line in lines if line.action == "clock_changed"]
    if not changed:
        return []
    first_reading: dict[Hashable, int] = {}
    for line in sorted(lines):
        if line.odometer_km is not None and line.action != "clock_changed":
            first_reading.setdefault(line.card, line.order)
    found = []
    for line in changed:
        if line.odometer_km is None:
            detail = "the new clock's reading at fitting is not known; that reading (0 for a new clock) settles it"
        elif first_reading.get(line.card, line.order) >= line.order:
            detail = (
                "the old clock's last reading is not on the card, so the distance up to the change is not known; "
                "a row before this one with that reading settles it"
            )
        elif line.earliest is None:
            detail = "it is not known when the clock was changed; the date settles it"
        else:
            continue
        found.append(Finding(line.order, "clock_gap_unknown", "odometer", line.shown.strip(), detail))
    return found


def _after_gone(lines: Sequence[HistoryLine]) -> list[Finding]:
    gone = [line for line in lines if line.action == "gone" and line.latest is not None]
    if not gone:
        return []
    left = min(line.latest for line in gone if line.latest)
    back = [
        line
        for line in lines
        if line.source == "card" and line.action != "gone" and line.earliest is not None and line.earliest > left
    ]
    if not back:
        return []
    seen = max(line.earliest for line in back if line.earliest)
    detail = "one card says the machine was gone, a later one that it was here; the right date or machine settles it"
    both = [line for line in gone if line.latest and line.latest < seen] + back
    return [Finding(line.order, "gone_then_seen", "date", _written(line.earliest, line.latest), detail)
            for line in both if line.earliest and line.latest]  # fmt: skip
