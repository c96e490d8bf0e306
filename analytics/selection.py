"""Is a shop's log fit to give absolute chances? Marks that a broken log leaves on its life records.

A life model believes that a machine was watched from entry to exit whatever happened to it. Logs break this in
known ways: machines come in because something broke; the last repair is taken for the end of watching; machines are
taken to be watched "until today"; healthy parts are never written down. Each leaves a mark on one of these, with
failures expected under the fitted model:

    censored_share          spells still running (or renewed good) over all spells
    quiet_machines          machines without any failure, observed / expected
    first, last             failures observed / expected in the first and last six months of a machine's watch
    ends_on_event           histories that end within a day of a failure, over histories with a failure

Full logs are not at 1 either: inspections find latent failures. The bounds below were set on simulated full logs of
shops of 20 and more machines so that at most one in twenty raises any flag (`tests/analytics/test_selection.py`).
Small shops leave too little to tell by. Of simulated broken logs of 24 components (seeds apart from those the bounds
were set on: `python -m tests.worlds.flag_power`) 11 to 53 % are flagged in shops of 20 machines, at 50 nearly all but
those entered on the first repair (half), at 100 these too in five of six. A shop of fewer than `SURE_MACHINES`
without a flag is `too_few_to_tell`.
Failures repaired elsewhere, and parts pulled because they looked worn, leave no mark: no test here can see them.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit, clock_index
from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units
from analytics.pooling_cells import distinct_cells
from analytics.segments import in_order
from analytics.spells import DAYS_PER_YEAR, Outcome, Quality, Removal, Spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HALF_YEAR_DAYS = 0.5 * DAYS_PER_YEAR
YOUNG_DAYS = 2 * DAYS_PER_YEAR
LEAST_MACHINES = 20
SURE_MACHINES = 100
ALL_SHOPS = "all shops"
LEAST_EXPECTED = 8.0
# observed / expected against the shop's own level; full logs give 0.75 to 0.85 in the first and 1.2 to 1.5 in the
# last half-year, because a look at a machine that leaves or changes hands finds what had failed unnoticed
_FIRST_BOUNDS, _LAST_BOUNDS = (0.7, 0.97), (0.7, 1.6)
_ENDS_BOUND = 0.85
_SLACK = 1.7  # standard deviations beyond a bound; set in simulation to 2 false flags in 100 shops


@dataclass(frozen=True)
class ShopSelection:
    """Marks of one shop's log; nan where too little was expected to tell. `flags` are in words fit to show.

    too_few_to_tell : no flag, but a broken log of so few machines might well have raised none.
    """

    shop: str
    machines: int
    failures: float
    censored_share: float
    quiet_observed: float
    quiet_expected: float
    first_half_year: float
    last_half_year: float
    middle: float
    ends_on_event: float
    flags: tuple[str, ...]
    ranking_only: bool
    too_few_to_tell: bool


@dataclass(frozen=True)
class _Watch:
    """Sums by machine over all components of a shop."""

    failures: Floats
    expected: Floats
    first: tuple[float, float]  # observed, expected
    young: tuple[float, float]  # the first two years
    last: tuple[float, float]
    middle: tuple[float, float]
    spells: float
    running: float
    ends_on_event: Floats  # by machine, of those with a failure


def selection_flags(
    spells: Mapping[str, Spells], fits: Mapping[str, ComponentFit] | Sequence[ComponentFit]
) -> list[ShopSelection]:
    """Marks and flags of every shop, after those of all shops together (`ALL_SHOPS`).

    Parameters
    ----------
    spells : mapping of component to Spells
        Life records of all components, with machines and shops numbered alike.
    fits : mapping or sequence of ComponentFit
        The fits that say what was to be expected.
    """
    by_name = dict(fits) if isinstance(fits, Mapping) else {f.component: f for f in fits}
    rows = [_rows(spells[name], by_name[name]) for name in spells if name in by_name and len(spells[name])]
    if not rows:
        return []
    columns = {key: np.concatenate([r[key] for r in rows]) for key in rows[0]}
    names = next(s.shops for s in spells.values() if len(s))
    out = [_judge(ALL_SHOPS, _watch(columns))]
    shops = columns["shop"].astype(np.int64)
    order = in_order(shops)
    ends = np.cumsum(np.bincount(shops))
    columns = {key: values[order] for key, values in columns.items()}
    for shop, (first, last) in enumerate(itertools.pairwise([0, *ends.tolist()])):
        if first < last:
            mine = {key: values[first:last] for key, values in columns.items()}
            out.append(_judge(names[shop] if shop < len(names) else str(shop), _watch(mine)))
    return out


def _rows(s: Spells, fit: ComponentFit) -> dict[str, Floats]:
    """Observed and expected failures of each spell, as a whole and in the machine's first and last half-years."""
    s = s.subset(s.known_start & (s.quality != Quality.USED))
    weight = np.bincount(clock_index(fit.clock_weight), fit.copies, len(CLOCK_WEIGHTS))
    w = float(CLOCK_WEIGHTS[int(np.argmax(weight))])
    share = np.where(np.isclose(fit.clock_weight, w), fit.copies, 0) / weight.max()
    shape = float(fit.shape @ share)
    first, which = distinct_cells(s)
    kinds = zip(s.cell[first].tolist(), s.stratum[first].tolist(), s.position[first].tolist(), strict=True)
    rows = [fit.rows_for(s.cells[c], t, s.positions[p] if p >= 0 else None)[0] for c, t, p in kinds]
    row = np.array(rows, dtype=np.int64)[which]
    log_theta = (fit.mean.astype(float) @ share)[row]

    def hazard(days: Floats) -> Floats:
        """Cumulative hazard when the machine is so many days old, on the straight line of the spell."""
        run = np.maximum(s.exit_days - s.entry_days, 1e-9)
        along = (days - s.entry_days) / run
        km = s.entry_km + along * (s.exit_km - s.entry_km)
        u = operational_units(km - s.start_km, days - s.start_days, w)
        return np.exp(np.minimum(log_theta + shape * np.log(np.maximum(u, SMALLEST_U)), 50.0))

    at_entry, at_exit = hazard(s.entry_days), hazard(s.exit_days)
    failed = ((s.outcome == Outcome.FAILED) | (s.outcome == Outcome.FAILED_BETWEEN)).astype(float)
    unexplained = s.outcome == Outcome.RENEWED_REASON_UNKNOWN
    failed = s.weight * np.where(unexplained, fit.row_failed_share[row], failed)
    # a failure that ended the history is not counted as one by the fit, but no part was left running either
    dropped = s.weight * ((s.outcome == Outcome.CENSORED) & (s.removal == Removal.FAILED))
    return {
        "shop": s.shop.astype(float),
        "machine": s.machine.astype(float),
        "entry": s.entry_days,
        "exit": s.exit_days,
        "failed": failed,
        "dropped": dropped,
        "weight": s.weight,
        "expected": s.weight * (at_exit - at_entry),
        "early": s.weight * (hazard(np.minimum(s.exit_days, s.entry_days + HALF_YEAR_DAYS)) - at_entry),
        "young": s.weight * (hazard(np.minimum(s.exit_days, s.entry_days + YOUNG_DAYS)) - at_entry),
        "late": s.weight * (at_exit - hazard(np.maximum(s.entry_days, s.exit_days - HALF_YEAR_DAYS))),
    }


def _watch(rows: dict[str, Floats]) -> _Watch:
    machine = rows["machine"].astype(np.int64)
    there = np.bincount(machine) > 0
    index = (np.cumsum(there) - 1)[machine]
    machines = np.flatnonzero(there)
    first, last = np.full(len(machines), np.inf), np.full(len(machines), -np.inf)
    np.minimum.at(first, index, rows["entry"])
    np.maximum.at(last, index, rows["exit"])
    long_enough = last - first > 3 * HALF_YEAR_DAYS
    early = long_enough[index] & (rows["exit"] <= first[index] + HALF_YEAR_DAYS)
    late = long_enough[index] & (rows["exit"] > last[index] - HALF_YEAR_DAYS)
    # spells that run across a border lend the part of their expectation that lies inside
    at_start = long_enough[index] & (rows["entry"] <= first[index] + 1.0)
    at_end = long_enough[index] & (rows["exit"] >= last[index] - 1.0)
    long_watch = last - first > 1.5 * YOUNG_DAYS
    young = long_watch[index] & (rows["exit"] <= first[index] + YOUNG_DAYS)
    young_start = long_watch[index] & (rows["entry"] <= first[index] + 1.0)
    observed_first, observed_last = rows["failed"][early].sum(), rows["failed"][late].sum()
    expected_first, expected_last = rows["early"][at_start].sum(), rows["late"][at_end].sum()
    whole_observed = rows["failed"][long_enough[index]].sum()
    whole_expected = rows["expected"][long_enough[index]].sum()
    by_machine = np.asarray(np.bincount(index, rows["failed"]), dtype=np.float64)
    ended = np.zeros(len(machines))
    np.maximum.at(
        ended, index, np.where((rows["exit"] >= last[index] - 1.0) & (rows["failed"] + rows["dropped"] > 0.5), 1.0, 0.0)
    )
    return _Watch(
        by_machine,
        np.asarray(np.bincount(index, rows["expected"]), dtype=np.float64),
        (observed_first, expected_first),
        (rows["failed"][young].sum(), rows["young"][young_start].sum()),
        (observed_last, expected_last),
        (whole_observed - observed_first - observed_last, whole_expected - expected_first - expected_last),
        float(rows["weight"].sum()),
        float((rows["weight"] - rows["failed"] - rows["dropped"]).sum()),
        ended[by_machine > 0.5],
    )


def _ratio(pair: tuple[float, float]) -> float:
    return pair[0] / pair[1] if pair[1] >= LEAST_EXPECTED else float("nan")


def _away(pair: tuple[float, float], level: float, low: float, high: float) -> str:
    """Which bound observed / expected is beyond, against the shop's own level and by more than chance allows."""
    observed, expected = pair[0], pair[1] * level
    if expected < LEAST_EXPECTED:
        return ""
    slack = _SLACK * np.sqrt(1.6 / expected)  # failures of one machine come together: 1.6 times the Poisson variance
    if observed / expected > high * (1 + slack):
        return "above"
    return "below" if observed / expected < low * max(0.0, 1 - slack) else ""


def _level(watch: _Watch) -> float:
    """Observed / expected of the shop as a whole: a frail or careful clientele is no fault of the log."""
    return float(np.clip((watch.failures.sum() + 2.0) / (watch.expected.sum() + 2.0), 0.3, 3.0))


def _quiet_chance(watch: _Watch) -> Floats:
    """Chance of each machine to have no failure at all."""
    # riders differ: a spread of 0.5 on log hazard makes quiet machines likelier than exp(-expected)
    normal = np.array([-1.2247, 0.0, 1.2247]) * 0.5
    level = _level(watch)
    return np.exp(-level * watch.expected[:, None] * np.exp(normal)) @ np.array([0.2959, 0.4082, 0.2959])


def _judge(shop: str, watch: _Watch) -> ShopSelection:
    machines = len(watch.failures)
    quiet, share = float((watch.failures < 0.5).sum()), _quiet_chance(watch)
    expected_quiet = float(share.sum())
    censored = watch.running / watch.spells if watch.spells else float("nan")
    ends = float(watch.ends_on_event.mean()) if len(watch.ends_on_event) >= LEAST_MACHINES else float("nan")
    flags = []
    if machines >= LEAST_MACHINES:
        flags = _flags(watch, quiet, share, censored, ends)
    return ShopSelection(
        shop,
        machines,
        float(watch.failures.sum()),
        censored,
        quiet,
        expected_quiet,
        _ratio(watch.first),
        _ratio(watch.last),
        _ratio(watch.middle),
        ends,
        tuple(flags),
        bool(machines >= LEAST_MACHINES and censored < 0.05),
        not flags and machines < SURE_MACHINES,
    )


def _flags(watch: _Watch, quiet: float, share: Floats, censored: float, ends: float) -> list[str]:
    flags, expected_quiet = [], float(share.sum())
    if censored < 0.05:
        flags.append("hardly any part is on record as still good: order of risk only, no absolute chances")
    level = _level(watch)
    first = _away(watch.first, level, *_FIRST_BOUNDS)
    if first == "above":
        flags.append("machines seem to be entered by the failure that brought them in: leave that first repair out")
    if first == "below" or _away(watch.young, level, 0.8, np.inf) == "below":
        flags.append("few failures soon after entry: exposure may be counted from before the machine was watched")
    last = _away(watch.last, level, *_LAST_BOUNDS)
    if ends > _ENDS_BOUND:
        flags.append("histories end on a repair: the end of watching is later than the last repair")
    if last == "above":
        flags.append("failures crowd before the end of watching: machines may be entered only because they broke")
    if last == "below":
        flags.append("few failures before the end: machines may be counted as watched after they left")
    spread = 2.6 * np.sqrt(max((share * (1 - share)).sum(), 1.0))
    if quiet > 1.2 * expected_quiet + spread:
        flags.append("more machines without any failure than the model expects: exits may be assumed, not seen")
    if quiet < 0.8 * expected_quiet - spread:
        flags.append("hardly a machine without a failure: healthy machines seem not to be entered")
    return flags
