"""The ways a shop's log breaks, made out of a full one; each takes and gives spells of all components together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Outcome, Spells
from tests.worlds.simulate import World

Floats = NDArray[np.float64]
Logs = dict[str, Spells]


def full(world: World) -> Logs:
    return {t.name: s for t, s in zip(world.truths, world.spells, strict=True)}


def _failed(s: Spells) -> NDArray[np.bool_]:
    return np.isin(s.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN))


def _extreme(logs: Logs, first: bool) -> dict[int, float]:
    """Day of each machine's first or last failure."""
    out: dict[int, float] = {}
    for s in logs.values():
        at = _failed(s)
        for machine, day in zip(s.machine[at].tolist(), s.exit_days[at].tolist(), strict=True):
            held = out.get(machine, day)
            out[machine] = min(held, day) if first else max(held, day)
    return out


def _cut(s: Spells, low: Floats, high: Floats) -> Spells:
    """Watch only (low, high] of each spell, days; km follow on the spell's own straight line."""
    run = np.maximum(s.exit_days - s.entry_days, 1e-9)

    def km(day: Floats) -> Floats:
        return s.entry_km + (day - s.entry_days) / run * (s.exit_km - s.entry_km)

    entry, end = np.maximum(s.entry_days, low), np.minimum(s.exit_days, high)
    cut_short = end < s.exit_days
    out = replace(
        s,
        entry_days=entry,
        entry_km=km(entry),
        exit_days=end,
        exit_km=km(end),
        lower_days=np.clip(s.lower_days, entry, np.maximum(entry, end)),
        lower_km=km(np.clip(s.lower_days, entry, np.maximum(entry, end))),
        outcome=np.where(cut_short, Outcome.CENSORED, s.outcome),
        removal=np.where(cut_short, 0, s.removal),
    )
    return out.subset((end > entry) & np.isfinite(low) & np.isfinite(high))


def _of(days: dict[int, float], machine: NDArray[np.int64], missing: float) -> Floats:
    return np.array([days.get(m, missing) for m in machine.tolist()], dtype=float)


def entered_on_first_repair(logs: Logs) -> Logs:
    """Only machines that broke are entered, and then counted as watched since each part was new."""
    first = _extreme(logs, True)
    out = {}
    for name, s in logs.items():
        known = s.subset(s.known_start & np.isfinite(_of(first, s.machine, np.inf)))
        out[name] = replace(known, entry_days=known.start_days.copy(), entry_km=known.start_km.copy())
    return out


def trigger_counted(logs: Logs) -> Logs:
    """Watching begins at the first repair, and that repair counts as a failure under watch."""
    first = _extreme(logs, True)
    return {n: _cut(s, _of(first, s.machine, np.inf) - 1.0, np.full(len(s), 1e9)) for n, s in logs.items()}


def ends_at_last_repair(logs: Logs) -> Logs:
    """Watching ends at the last repair, and that repair counts."""
    last = _extreme(logs, False)
    return {n: _cut(s, np.full(len(s), -1e9), _of(last, s.machine, -np.inf)) for n, s in logs.items()}


def watched_until_today(logs: Logs, years: float = 6.0) -> Logs:
    """Machines that left are counted as watched until today."""
    out = {}
    for name, s in logs.items():
        rate = s.exit_km / np.maximum(s.exit_days, 1.0)
        more = np.where((s.outcome == Outcome.CENSORED) & (s.removal == 0), years * 365.25, 0.0)
        out[name] = replace(s, exit_days=s.exit_days + more, exit_km=s.exit_km + more * rate)
    return out


def failures_only(logs: Logs) -> Logs:
    """Parts that did not fail are never written down."""
    return {n: s.subset(_failed(s)) for n, s in logs.items()}


BREAKS: dict[str, Callable[[Logs], Logs]] = {
    "entered on first repair": entered_on_first_repair,
    "trigger counted": trigger_counted,
    "ends at last repair": ends_at_last_repair,
    "watched until today": watched_until_today,
    "failures only": failures_only,
}


def in_one_shop(logs: Logs, shop: int, broken: Logs) -> Logs:
    """Full logs of all shops but one, whose logs are broken."""
    out = {}
    for name, s in logs.items():
        rest, own = s.subset(s.shop != shop), broken[name].subset(broken[name].shop == shop)
        columns = {
            f: np.concatenate([getattr(rest, f), getattr(own, f)])
            for f in rest.__dataclass_fields__
            if f not in ("cells", "positions", "shops")
        }
        out[name] = replace(rest, **columns)
    return out
