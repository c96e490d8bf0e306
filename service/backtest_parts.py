"""Each part under observation at its landmark: what was said of it then, and how it came through."""

from __future__ import annotations

from collections import Counter
from collections.abc import Set
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from analytics.backtest_types import Forecasts, Judged
from analytics.followed import Ending, Window, covers, endings, window_from
from analytics.histories import Placed
from analytics.life_model_types import Horizon, PartState
from analytics.spells import Spells
from service.backtest_fits import Models
from service.inspections.part_states import KnownMachine, part_state, parts_now
from service.inspections.recorded import on_clocks
from service.inspections.serving import Snapshot
from service.lifetimes import Dataset

# Reasons why a machine or a part does not count, as they are reported.
NOT_YET_SEEN = "machines of which nothing was known on the day although they were under observation"
GONE = "machines that had left by the day"
NOT_FOLLOWED = "machines without a later visit"
FOUND_BAD = "parts found bad before and not renewed since"
NEVER_NAMED = "parts of components that no line had named by the day"
NOT_WATCHED = "parts whose later records do not reach back to the landmark"


class Row(NamedTuple):
    """One ending of one part, with the chances given."""

    part: int
    machine: int
    slug: str
    position: str | None
    late: bool
    landmark: float  # ordinal
    ending: Ending
    horizon_days: float
    whole: tuple[float, ...]  # chances for the horizon: model, pooled curve, prior
    watched: tuple[float, ...]  # and over the time watched


@dataclass
class Collected:
    """All rows, and what was left out and why."""

    rows: list[Row] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    late_machines: int = 0


class PartFollower:
    """Pairs predictions with what followed, machine by machine; what followed is read from `everything`."""

    def __init__(
        self, everything: Dataset, named: Set[str], snapshot: Snapshot, models: Models, horizon: Horizon
    ) -> None:
        self.everything, self.named = everything, named
        self.snapshot, self.models, self.horizon = snapshot, models, horizon
        self.records = everything.life_records()
        self.spells_of = {slug: _by_part(spells) for slug, spells in self.records.items()}
        self.collected = Collected()
        self._parts = 0

    def follow(self, machine: int, full: Placed, then: Placed | None, source: Dataset, day: float, late: bool) -> None:
        """Add one machine.

        Parameters
        ----------
        machine : int
        full, then : Placed
            From all its lines, and from those known at the landmark, which are of `source`.
        day : float
            The landmark, as an ordinal.
        late : bool
            True where it came under observation after the day of the question.
        """
        left_out = self.collected.left_out
        if then is None:
            left_out[NOT_YET_SEEN] += 1
            return
        if then.watch.gone:
            left_out[GONE] += 1
            return
        known = on_clocks(source, machine, then, day)
        window = self._window(full, known, day)
        if window is None:
            left_out[NOT_FOLLOWED] += 1
            return
        self.collected.late_machines += late
        self._add(machine, known, window, day, late)

    def _window(self, full: Placed, known: KnownMachine, day: float) -> Window | None:
        path = np.array([(e.days, e.km) for _, _, e in full.events if e.days == e.days and e.km == e.km]).reshape(-1, 2)
        path = path[path[:, 0].argsort(kind="stable")]
        start = max(day - full.new_day, full.watch.start_days)
        return window_from(
            path[:, 0], np.maximum.accumulate(path[:, 1]), start, full.watch.end_days, self.horizon, known.km_per_day
        )

    def _add(self, machine: int, known: KnownMachine, window: Window, day: float, late: bool) -> None:
        found: list[tuple[int, PartState, Ending]] = []
        for slug, position, now in parts_now(known, self.snapshot):
            if slug not in self.records:
                continue
            if slug not in self.named:
                self.collected.left_out[NEVER_NAMED] += 1
            elif not now.alive:
                self.collected.left_out[FOUND_BAD] += 1
            else:
                state = part_state(slug, position, now, known, self.snapshot)
                came = self._endings(slug, machine, position, window)
                if not came:
                    self.collected.left_out[NOT_WATCHED] += 1
                found.extend((self._parts, state, ending) for ending in came)
                self._parts += 1
        if not found:
            return
        states = [state for _, state, _ in found]
        watched = ([e.span_km for _, _, e in found], [e.span_days for _, _, e in found])
        chances = self.models.ask(states, known.cell, [self.horizon.on_both_clocks(known.km_per_day), watched])
        self.collected.rows.extend(
            Row(part, machine, state.component, state.position, late, day, ending, window.horizon_days,
                tuple(chances[:, 0, k].tolist()), tuple(chances[:, 1, k].tolist()))
            for k, (part, state, ending) in enumerate(found)
        )  # fmt: skip

    def _endings(self, slug: str, machine: int, position: str | None, window: Window) -> list[Ending]:
        """From the spells under way at the landmark.

        Where only later lines tell the places of a part apart, the first of them to fail, else the first to end,
        speaks for the one part known then.
        """
        by_position = self.spells_of[slug].get(machine, {})
        spells = self.records[slug]
        share = self.models.model.fits[self.models.model.fit_of(slug)].failed_share
        if position in by_position or len(by_position) <= 1:
            rows = by_position.get(position) or next(iter(by_position.values()), [])
            return [e for row in rows if covers(spells, row, window) for e in endings(spells, row, window, share)]
        several = [
            endings(spells, row, window, share)
            for rows in by_position.values()
            for row in rows
            if covers(spells, row, window)
        ]
        return min(several, key=lambda e: (not e[0].failed, e[0].known_days), default=[]) if position is None else []


def _by_part(spells: Spells) -> dict[int, dict[str | None, list[int]]]:
    """Rows by machine and position."""
    out: dict[int, dict[str | None, list[int]]] = {}
    for row, (machine, position) in enumerate(zip(spells.machine.tolist(), spells.position.tolist(), strict=True)):
        label = spells.positions[position] if position >= 0 else None
        out.setdefault(machine, {}).setdefault(label, []).append(row)
    return out


def judged_of(rows: list[Row], dataset: Dataset) -> Judged:
    """Rows as columns."""
    components = tuple(sorted({row.slug for row in rows}))
    at = {slug: k for k, slug in enumerate(components)}
    machine = np.array([row.machine for row in rows], dtype=np.int64)
    whole, watched = (
        np.array([getattr(row, name) for row in rows], dtype=float).reshape(-1, 3) for name in ("whole", "watched")
    )
    forecasts = [Forecasts(whole[:, k], watched[:, k]) for k in range(3)]
    return Judged(
        part=np.array([row.part for row in rows], dtype=np.int64),
        machine=machine,
        shop=dataset.machines.shop[machine],
        component=np.array([at[row.slug] for row in rows], dtype=np.int64),
        weight=np.array([row.ending.weight for row in rows], dtype=float),
        failed=np.array([row.ending.failed for row in rows], dtype=bool),
        complete=np.array([row.ending.complete for row in rows], dtype=bool),
        followed=np.array([min(row.ending.known_days / row.horizon_days, 1.0) for row in rows], dtype=float),
        late=np.array([row.late for row in rows], dtype=bool),
        model=forecasts[0],
        pooled=forecasts[1],
        prior=forecasts[2],
        components=components,
    )
