"""Many positions at once: their lines become spells by the rules of `analytics.unit_life`, line by line in step.

All positions take their first line together, then their second, and so on: as many steps as the longest history has
lines, each over whole columns. The rules are those of `unit_life.live`, function by function under the same names,
and give the same spells to the last bit (`tests/analytics/test_fleet_lives.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.fleet_clocks import FleetLines
from analytics.line_columns import Action, Codes
from analytics.segments import count_up_to, in_order
from analytics.spells import Bools, Floats, Ints, Outcome, Quality, Removal
from analytics.unit_life import COMEBACK_DAYS, COMEBACK_KM, FAILURE_REASONS, OUTCOME_OF_REASON, REMOVAL_OF_REASON

NAN = float("nan")
_OUTCOME = np.zeros(len(Removal), dtype=np.int64)
for _reason, _outcome in OUTCOME_OF_REASON.items():
    _OUTCOME[REMOVAL_OF_REASON[_reason]] = _outcome
_FAILURES = tuple(int(REMOVAL_OF_REASON[reason]) for reason in FAILURE_REASONS)
_MOVES_A_LIFE = (Action.RENEWED, Action.REPAIRED, Action.CHECKED_BAD, Action.CLOCK_CHANGED)


@dataclass(frozen=True)
class Chains:
    """Positions with their lines: `owner` (c,) is the machine's place in the fleet; lines of chain i are

    `line[start[i]:start[i + 1]]`, rows of the fleet's lines in order of time. `broken` marks lines to be taken as in
    doubt whatever they say.
    """

    owner: Ints
    start: Ints
    line: Ints
    broken: Bools


class _Events(NamedTuple):
    """One line for each of some chains."""

    km: Floats
    days: Floats
    action: Codes
    reason: Codes
    from_card: Bools
    quality: Codes
    doubt: Bools
    separate: Bools

    def at(self, rows: Ints) -> _Events:
        return _Events._make(column[rows] for column in self)


class SpellColumns(NamedTuple):
    """Columns of `analytics.unit_life.SpellRow`, with the chain each spell is of; by chain, then in order of time."""

    chain: Ints
    start_km: Floats
    start_days: Floats
    not_original: Bools
    entry_km: Floats
    entry_days: Floats
    exit_km: Floats
    exit_days: Floats
    lower_km: Floats
    lower_days: Floats
    repair_km: Floats
    repair_days: Floats
    outcome: Ints
    removal: Ints
    quality: Ints
    after_campaign: Bools


class NowColumns(NamedTuple):
    """Columns of `analytics.unit_life.PartNow`, one row a chain; without `last_good`."""

    start_km: Floats
    start_days: Floats
    not_original: Bools
    quality: Ints
    alive: Bools
    watched_from_km: Floats
    watched_from_days: Floats
    repair_km: Floats
    repair_days: Floats
    bad_km: Floats
    bad_days: Floats
    after_campaign: Bools


def live_all(chains: Chains, fleet: FleetLines, *, shown_by_running: bool) -> SpellColumns:
    """Spells of every chain; `shown_by_running` as in `unit_life.live`."""
    order, parts = _lived(chains, fleet, shown_by_running)
    spells = parts.end()
    spells = spells._replace(chain=order[spells.chain])
    by_chain = in_order(spells.chain)
    return SpellColumns._make(column.take(by_chain) for column in spells)


def parts_at_end(chains: Chains, fleet: FleetLines) -> NowColumns:
    """The part of every chain that is fitted when the watch of its machine ends."""
    order, parts = _lived(chains, fleet, False)
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return NowColumns._make(column[back] for column in parts.now())


def _lived(chains: Chains, fleet: FleetLines, shown_by_running: bool) -> tuple[Ints, _Parts]:
    """All lines taken; the parts stand in the order given, of chains by falling length."""
    length = np.diff(chains.start)
    order = in_order(length.max(initial=0) - length)
    parts = _Parts(fleet, chains.owner[order], shown_by_running)
    start, length = chains.start[order], length[order]
    for step in range(int(length[0]) if len(length) else 0):
        active = int(np.searchsorted(-length, -step, side="left"))
        at = start[:active] + step
        line = chains.line[at]
        events = _Events(
            fleet.km.take(line), fleet.days.take(line), fleet.action.take(line), fleet.reason.take(line),
            fleet.from_card.take(line), fleet.quality.take(line), fleet.in_doubt.take(line) | chains.broken[at],
            fleet.separate.take(line),
        )  # fmt: skip
        parts.take(events)
    return order, parts


class _Parts:
    """The part now fitted in every chain, and the spells written so far; see `unit_life._Part`."""

    def __init__(self, fleet: FleetLines, owner: Ints, shown_by_running: bool) -> None:
        count = len(owner)
        self.fleet, self.owner, self.shown_by_running = fleet, owner, shown_by_running
        self.written: list[tuple[NDArray[np.generic], ...]] = []
        self.alive, self.not_original = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
        self.over, self.after_campaign = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        self.quality = np.full(count, int(Quality.UNKNOWN), dtype=np.int64)
        self.start_km, self.start_days, self.repair_km, self.repair_days = (np.full(count, NAN) for _ in range(4))
        self.bad_km, self.bad_days = np.full(count, NAN), np.full(count, NAN)
        self.entry_km, self.entry_days = fleet.start_km[owner], fleet.start_days[owner]
        self.good_km, self.good_days = self.entry_km.copy(), self.entry_days.copy()
        self.end_km, self.end_days = fleet.end_km[owner], fleet.end_days[owner]
        self.watch_km, self.watch_days = self.entry_km.copy(), self.entry_days.copy()
        self.ends_on_failure = fleet.ends_on_failure[owner]

    def take(self, e: _Events) -> None:
        """The next line of the first len(e.km) chains."""
        n = len(e.km)
        going = ~self.over[:n]
        told = going & ~e.from_card
        before = told & (np.isnan(e.km) | ((e.km <= self.watch_km[:n]) & (e.days <= self.watch_days[:n])))
        after = going & ~before & ((e.km > self.end_km[:n]) | (e.days > self.end_days[:n]))
        self.over[:n] |= after
        observed = going & ~before & ~after
        self._place_start(e, before)
        broken = observed & e.doubt & np.isin(e.action, _MOVES_A_LIFE)
        sure = observed & ~e.doubt
        for action, on_action in (
            (Action.ORIGINAL, self._on_original),
            (Action.CHECKED_GOOD, self._on_checked_good),
            (Action.CHECKED_BAD, self._on_checked_bad),
            (Action.RENEWED, self._on_renewed),
            (Action.REPAIRED, self._on_repaired),
        ):
            i = np.flatnonzero(sure & (e.action == action))
            if len(i):
                on_action(i, e.at(i))
        i = np.flatnonzero(broken)
        if len(i):
            self._break_off(i, e.at(i))

    def end(self) -> SpellColumns:
        """Close what is still open with the watch."""
        i = np.arange(len(self.owner))
        removal = np.where(self.fleet.gone[self.owner], int(Removal.MACHINE_GONE), int(Removal.STILL_FITTED))
        self._close(i, self.end_km, self.end_days, np.zeros(len(i), dtype=np.int64), removal)
        return SpellColumns._make(np.concatenate(columns) for columns in zip(*self.written, strict=True))

    def now(self) -> NowColumns:
        """The parts as they are now."""
        bad_km, bad_days = (np.where(self.alive, NAN, bad) for bad in (self.bad_km, self.bad_days))
        return NowColumns(
            self.start_km, self.start_days, self.not_original, self.quality, self.alive, self.entry_km,
            self.entry_days, self.repair_km, self.repair_days, bad_km, bad_days, self.after_campaign,
        )  # fmt: skip

    def _set(self, what: str, i: Ints, km: Floats | float, days: Floats | float) -> None:
        getattr(self, f"{what}_km")[i] = km
        getattr(self, f"{what}_days")[i] = days

    def _fit_new(self, i: Ints, e: _Events) -> None:
        used = e.quality == Quality.USED
        self._set("start", i, np.where(used, NAN, e.km), np.where(used, NAN, e.days))
        self._set("repair", i, NAN, NAN)
        self.not_original[i] = True
        self.quality[i] = e.quality
        self.after_campaign[i] |= (e.reason == Removal.CAMPAIGN) & ~e.doubt
        self.alive[i] = True

    def _watch_from(self, i: Ints, e: _Events) -> None:
        self._set("entry", i, e.km, e.days)
        self._set("good", i, e.km, e.days)

    def _close(self, i: Ints, km: Floats, days: Floats, outcome: Ints, removal: Ints) -> None:
        """End spells; one of no length (the line that brought the machine in) is none."""
        written = self.alive[i] & ((km > self.entry_km[i]) | (days > self.entry_days[i]))
        if not written.all():
            i, km, days = i[written], km[written], days[written]
            outcome, removal = outcome[written], removal[written]
        lower_km, lower_days = np.full(len(i), NAN), np.full(len(i), NAN)
        between = np.flatnonzero(outcome == Outcome.FAILED_BETWEEN)
        if len(between):
            good_km, good_days = self._last_known_good(i[between], km[between], days[between])
            exact = (good_km == km[between]) & (good_days == days[between])
            outcome = outcome.copy()
            outcome[between[exact]] = Outcome.FAILED
            lower_km[between] = np.where(exact, NAN, good_km)
            lower_days[between] = np.where(exact, NAN, good_days)
        self.written.append(
            (
                i, self.start_km[i], self.start_days[i], self.not_original[i], self.entry_km[i], self.entry_days[i],
                km, days, lower_km, lower_days, self.repair_km[i], self.repair_days[i], outcome, removal,
                self.quality[i], self.after_campaign[i],
            )
        )  # fmt: skip

    def _last_known_good(self, i: Ints, km: Floats, days: Floats) -> tuple[Floats, Floats]:
        good_km, good_days = self.good_km[i], self.good_days[i]
        fleet, owner = self.fleet, self.owner[i]
        if not self.shown_by_running or not len(fleet.seen_days):
            return good_km, good_days
        count = count_up_to(days, owner, fleet.seen_days, fleet.seen_from, side="left")
        at = np.maximum(fleet.seen_from[owner] + count - 1, 0)
        later = (count > 0) & (fleet.seen_days[at] > good_days)
        shown_km = np.minimum(fleet.seen_km[at], km)
        return np.where(later, shown_km, good_km), np.where(later, fleet.seen_days[at], good_days)

    def _place_start(self, e: _Events, before: Bools) -> None:
        """History from before the machine was watched."""
        if not before.any():
            return
        n = len(before)
        i = np.flatnonzero(before & (e.action == Action.ORIGINAL) & ~self.not_original[:n] & ~e.doubt)
        self._on_original(i, e.at(i))
        i = np.flatnonzero(before & (e.action == Action.RENEWED))
        self._fit_new(i, e.at(i))
        i = i[e.doubt[i] | np.isnan(e.km[i])]
        self._set("start", i, NAN, NAN)
        bad = e.action == Action.CHECKED_BAD
        repaired = e.action == Action.REPAIRED
        i = np.flatnonzero(before & ~e.doubt & (bad | repaired | (e.action == Action.CHECKED_GOOD)))
        self.alive[i] = ~bad[i]
        self._set("bad", i, e.km[i], e.days[i])
        i = np.flatnonzero(before & ~e.doubt & repaired & ~np.isnan(e.km))
        self._set("repair", i, e.km[i], e.days[i])

    def _on_original(self, i: Ints, e: _Events) -> None:
        i = i[~self.not_original[i]]
        self._set("start", i, 0.0, 0.0)
        self.quality[i] = Quality.ORIGINAL

    def _on_checked_good(self, i: Ints, e: _Events) -> None:
        alive = self.alive[i]
        self._set("good", i[alive], e.km[alive], e.days[alive])

    def _on_checked_bad(self, i: Ints, e: _Events) -> None:
        self._set("bad", i, e.km, e.days)
        i, e = i[self.alive[i]], e.at(np.flatnonzero(self.alive[i]))
        reason = np.where(e.reason == Removal.UNKNOWN, int(Removal.FOUND_FAILED), e.reason).astype(np.int64)
        self._close(i, e.km, e.days, self._outcome(i, e, reason), reason)
        self.alive[i] = False

    def _on_renewed(self, i: Ints, e: _Events) -> None:
        """A second renewal within days and a few km is the same event again, unless someone said otherwise."""
        near = (np.abs(e.days - self.start_days[i]) <= COMEBACK_DAYS) & (np.abs(e.km - self.start_km[i]) <= COMEBACK_KM)
        first = np.flatnonzero(~(self.not_original[i] & ~e.separate & near))
        at, of = i[first], e.at(first)
        reason = of.reason.astype(np.int64)
        outcome = np.where(of.from_card, self._outcome(at, of, reason), int(Outcome.CENSORED))
        removal = np.where(of.from_card, reason, int(Removal.RENEWED_ELSEWHERE))
        self._close(at, of.km, of.days, outcome, removal)
        self._fit_new(i, e)
        self._watch_from(i, e)

    def _on_repaired(self, i: Ints, e: _Events) -> None:
        elsewhere = np.flatnonzero(~e.from_card)
        self._set("repair", i[elsewhere], e.km[elsewhere], e.days[elsewhere])
        here = np.flatnonzero(e.from_card)
        i, e = i[here], e.at(here)
        reason = e.reason.astype(np.int64)
        failed = np.isin(reason, _FAILURES)
        outcome = np.where(failed, self._outcome(i, e, reason), int(Outcome.CENSORED))
        self._close(i, e.km, e.days, outcome, np.full(len(i), int(Removal.REPAIRED), dtype=np.int64))
        self.alive[i] = True
        self._set("repair", i, e.km, e.days)
        self._watch_from(i, e)

    def _outcome(self, i: Ints, e: _Events, reason: Ints) -> Ints:
        """What the reason says about this part's life, unless the history ends because of this very failure."""
        at_the_end = (e.days == self.end_days[i]) & (e.km == self.end_km[i])
        ends_it = self.ends_on_failure[i] & at_the_end & np.isin(reason, (Removal.FAILED, Removal.UNKNOWN))
        return np.where(ends_it, int(Outcome.CENSORED), _OUTCOME[reason])

    def _break_off(self, i: Ints, e: _Events) -> None:
        """A line in doubt: what it says is not used, and what it may have changed is not guessed."""
        censored = np.full(len(i), int(Outcome.CENSORED), dtype=np.int64)
        removal = np.full(len(i), int(Removal.UNKNOWN), dtype=np.int64)
        self._close(i, self.good_km[i], self.good_days[i], censored, removal)
        self._set("start", i, NAN, NAN)
        self._set("repair", i, NAN, NAN)
        self.quality[i] = Quality.UNKNOWN
        self.not_original[i] |= e.action == Action.RENEWED
        self.alive[i] = True
        self._watch_from(i, e)
