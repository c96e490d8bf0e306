"""One position on one machine: its lines in order of time become spells.

The rules are those of the trade brief's table "what each kind of line does to the life data":

- under observation a part dies when its line says failed, found_failed or worn_to_limit; any other
  removal is censoring of this cause;
- `found_failed` and `checked_bad` mean the failure happened somewhere after the part was last known good;
- `papers` and `told` lines place the start of a life and are never failures, because a part that died
  without leaving a paper cannot be counted either;
- a repair keeps the part; it is a failure of the function where the line says so;
- a part of unknown start is never taken for the factory's;
- two renewals of one position within 14 days and 300 km are one event (double lines, comebacks), unless
  someone said that they are two.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

from analytics.spells import Outcome, Quality, Removal

NAN = float("nan")
COMEBACK_DAYS = 14.0
COMEBACK_KM = 300.0


class Event(NamedTuple):
    """One line about one part; km and days are the machine's clocks, nan where nothing places the line."""

    km: float
    days: float
    action: str
    reason: str
    source: str
    quality: int
    in_doubt: bool
    # True where someone said that this is no second entry of the renewal just before it.
    separate: bool = False


class Watch(NamedTuple):
    """While a machine was under observation: from its first card to its last, on both clocks."""

    start_km: float
    start_days: float
    end_km: float
    end_days: float
    gone: bool
    # True where the last visit was only the repair of a failure: the history then ends *because* of that
    # failure, and counting it would overstate the rate.
    ends_on_failure: bool
    # When the machine was seen to work, as ages in days (ascending) with the distance beside them.
    seen_days: tuple[float, ...]
    seen_km: tuple[float, ...]


class SpellRow(NamedTuple):
    """The columns of `analytics.spells.Spells` that depend on a part's own history."""

    start_km: float
    start_days: float
    not_original: bool
    entry_km: float
    entry_days: float
    exit_km: float
    exit_days: float
    lower_km: float
    lower_days: float
    repair_km: float
    repair_days: float
    outcome: int
    removal: int
    quality: int
    after_campaign: bool


class PartNow(NamedTuple):
    """The part fitted when the watch ends; clocks are the machine's, nan where unknown.

    `watched_from` is the latest moment at which it can have been fitted; `last_good` when it was last new,
    mended or found good by a check; `repair` when it was last repaired, not renewed; `bad` when it was found bad, of
    one that is not `alive`. `after_campaign`: it, or one before it, was fitted in a campaign.
    """

    start_km: float
    start_days: float
    not_original: bool
    quality: int
    alive: bool
    watched_from_km: float
    watched_from_days: float
    last_good_km: float
    last_good_days: float
    repair_km: float
    repair_days: float
    bad_km: float = NAN
    bad_days: float = NAN
    after_campaign: bool = False


class UnitHistory(NamedTuple):
    """What one position's lines amount to."""

    spells: list[SpellRow]
    now: PartNow


REMOVAL_OF_REASON = {
    "failed": Removal.FAILED,
    "found_failed": Removal.FOUND_FAILED,
    "worn_to_limit": Removal.WORN_TO_LIMIT,
    "scheduled": Removal.SCHEDULED,
    "while_apart": Removal.WHILE_APART,
    "damage": Removal.DAMAGE,
    "secondary": Removal.SECONDARY,
    "upgrade": Removal.UPGRADE,
    "campaign": Removal.CAMPAIGN,
    "misdiagnosis": Removal.MISDIAGNOSIS,
    "owner_wish": Removal.OWNER_WISH,
    "unknown": Removal.UNKNOWN,
}
OUTCOME_OF_REASON = {
    "failed": Outcome.FAILED,
    "found_failed": Outcome.FAILED_BETWEEN,
    "worn_to_limit": Outcome.FAILED,
    "unknown": Outcome.RENEWED_REASON_UNKNOWN,
}
FAILURE_REASONS = frozenset({"failed", "found_failed", "worn_to_limit"})


class _Part:
    """The part now fitted, and the spells written so far."""

    def __init__(self, watch: Watch, shown_by_running: bool) -> None:
        self.watch = watch
        self.shown_by_running = shown_by_running
        self.rows: list[SpellRow] = []
        self.alive = True
        self.start = (NAN, NAN)
        self.not_original = False
        self.quality = int(Quality.UNKNOWN)
        self.after_campaign = False
        self.repair = (NAN, NAN)
        self.entry = (watch.start_km, watch.start_days)
        self.last_good = self.entry
        self.checked = (NAN, NAN)
        self.bad = (NAN, NAN)

    def fit_new(self, event: Event) -> None:
        """A part went in at this event; a used one brings an age nobody knows."""
        self.start = (NAN, NAN) if event.quality == Quality.USED else (event.km, event.days)
        self.not_original = True
        self.quality = event.quality
        self.after_campaign = self.after_campaign or (event.reason == "campaign" and not event.in_doubt)
        self.repair = (NAN, NAN)
        self.checked = (event.km, event.days)
        self.alive = True

    def watch_from(self, point: tuple[float, float]) -> None:
        self.entry = self.last_good = point

    def close(self, event: Event, outcome: int, removal: int) -> None:
        """End the spell at this event; a spell of no length (the line that brought the machine in) is none."""
        exit_ = (event.km, event.days)
        if self.alive and (exit_[0] > self.entry[0] or exit_[1] > self.entry[1]):
            self._write(exit_, outcome, removal)

    def _write(self, exit_: tuple[float, float], outcome: int, removal: int) -> None:
        lower = (NAN, NAN)
        if outcome == Outcome.FAILED_BETWEEN:
            lower = self._last_known_good(exit_)
            if lower == exit_:
                outcome, lower = int(Outcome.FAILED), (NAN, NAN)
        self.rows.append(
            SpellRow(
                *self.start, self.not_original, *self.entry, *exit_, *lower, *self.repair,
                int(outcome), int(removal), self.quality, self.after_campaign,
            )
        )  # fmt: skip

    def _last_known_good(self, exit_: tuple[float, float]) -> tuple[float, float]:
        good = self.last_good
        if self.shown_by_running:
            index = bisect_left(self.watch.seen_days, exit_[1]) - 1
            if index >= 0 and self.watch.seen_days[index] > good[1]:
                good = (min(self.watch.seen_km[index], exit_[0]), self.watch.seen_days[index])
        return good

    def is_comeback(self, event: Event) -> bool:
        return (
            self.not_original
            and not event.separate
            and abs(event.days - self.start[1]) <= COMEBACK_DAYS
            and abs(event.km - self.start[0]) <= COMEBACK_KM
        )


def live(events: list[Event], watch: Watch, *, shown_by_running: bool) -> UnitHistory:
    """Spells of one position from its events in order of time, and the part that is on at the end.

    Parameters
    ----------
    events : list of Event
        All lines about this position, undated ones first.
    watch : Watch
        The machine's window of observation.
    shown_by_running : bool
        True where a machine that was seen to work shows that this part worked.
    """
    part = _Part(watch, shown_by_running)
    for event in events:
        if _before_watch(event, watch):
            _place_start(part, event)
        elif event.km > watch.end_km or event.days > watch.end_days:
            break
        else:
            _observe(part, event)
    end = Event(watch.end_km, watch.end_days, "", "", "card", 0, False)
    part.close(end, Outcome.CENSORED, Removal.MACHINE_GONE if watch.gone else Removal.STILL_FITTED)
    bad = (NAN, NAN) if part.alive else part.bad
    now = PartNow(
        *part.start, part.not_original, part.quality, part.alive, *part.entry, *part.checked, *part.repair, *bad,
        part.after_campaign,
    )  # fmt: skip
    return UnitHistory(part.rows, now)


def _before_watch(event: Event, watch: Watch) -> bool:
    if event.source == "card":
        return False
    return event.km != event.km or (event.km <= watch.start_km and event.days <= watch.start_days)


def _place_start(part: _Part, event: Event) -> None:
    """History from before the machine was watched."""
    if event.action == "original" and not part.not_original and not event.in_doubt:
        part.start = (0.0, 0.0)
        part.quality = int(Quality.ORIGINAL)
    elif event.action == "renewed":
        part.fit_new(event)
        if event.in_doubt or event.km != event.km:
            part.start = (NAN, NAN)
    elif event.action in ("repaired", "checked_good", "checked_bad") and not event.in_doubt:
        part.alive = event.action != "checked_bad"
        part.bad = (event.km, event.days)
        if part.alive and event.km == event.km:
            part.checked = (event.km, event.days)
            part.repair = part.checked if event.action == "repaired" else part.repair


def _observe(part: _Part, event: Event) -> None:
    if event.in_doubt:
        _break_off(part, event)
    else:
        _ON_ACTION.get(event.action, _nothing)(part, event)


def _nothing(part: _Part, event: Event) -> None:
    """Lines about the machine as a whole say nothing of one part."""


def _on_original(part: _Part, event: Event) -> None:
    if not part.not_original:
        part.start = (0.0, 0.0)
        part.quality = int(Quality.ORIGINAL)
        # What was watched so far becomes part of one longer life: same start, same entry.


def _on_checked_good(part: _Part, event: Event) -> None:
    if part.alive:
        part.last_good = part.checked = (event.km, event.days)


def _on_checked_bad(part: _Part, event: Event) -> None:
    if part.alive:
        reason = event.reason if event.reason != "unknown" else "found_failed"
        part.close(event, _outcome(part, event, reason), REMOVAL_OF_REASON[reason])
        part.alive = False
    part.bad = (event.km, event.days)


def _on_renewed(part: _Part, event: Event) -> None:
    if not part.is_comeback(event):
        if event.source == "card":
            part.close(event, _outcome(part, event, event.reason), REMOVAL_OF_REASON[event.reason])
        else:
            part.close(event, Outcome.CENSORED, Removal.RENEWED_ELSEWHERE)
    part.fit_new(event)
    part.watch_from((event.km, event.days))


def _on_repaired(part: _Part, event: Event) -> None:
    if event.source != "card":
        part.repair = (event.km, event.days)
        return
    outcome = _outcome(part, event, event.reason) if event.reason in FAILURE_REASONS else Outcome.CENSORED
    part.close(event, outcome, Removal.REPAIRED)
    part.alive = True
    part.repair = part.checked = (event.km, event.days)
    part.watch_from((event.km, event.days))


def _outcome(part: _Part, event: Event, reason: str) -> Outcome:
    """What the reason says about this part's life, unless the history ends because of this very failure."""
    at_the_end = event.days == part.watch.end_days and event.km == part.watch.end_km
    if part.watch.ends_on_failure and at_the_end and reason in ("failed", "unknown"):
        return Outcome.CENSORED
    return OUTCOME_OF_REASON.get(reason, Outcome.CENSORED)


def _break_off(part: _Part, event: Event) -> None:
    """A line in doubt: what it says is not used, and what it may have changed is not guessed.

    The part was good when last known so; after the line the position holds a part of unknown start.
    """
    if event.action in ("renewed", "repaired", "checked_bad", "clock_changed"):
        good = Event(*part.last_good, event.action, "", "card", 0, False)
        part.close(good, Outcome.CENSORED, Removal.UNKNOWN)
        part.start = (NAN, NAN)
        part.repair = (NAN, NAN)
        part.quality = int(Quality.UNKNOWN)
        part.not_original = part.not_original or event.action == "renewed"
        part.alive = True
        part.watch_from((event.km, event.days))


_ON_ACTION = {
    "original": _on_original,
    "checked_good": _on_checked_good,
    "checked_bad": _on_checked_bad,
    "renewed": _on_renewed,
    "repaired": _on_repaired,
}
