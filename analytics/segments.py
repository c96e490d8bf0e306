"""Runs of rows that belong together, in one array: what numpy does to one run, done to all of them at once.

A run is given by where it starts; runs lie one after the other and none is empty. Every function gives bit for bit
what the numpy function it is named after gives for each run alone.
"""

from __future__ import annotations

import numpy as np

from analytics.spells import Bools, Floats, Ints


def starts_of(keys: Ints) -> Ints:
    """Where each run of equal neighbours starts."""
    if not len(keys):
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.concatenate([[True], keys[1:] != keys[:-1]])).astype(np.int64)


_COUNTED = 1 << 16  # numpy sorts numbers of 16 bits by counting them, others by comparing


def in_order(keys: Ints) -> Ints:
    """Indices that sort numbers of at least 0, equal ones as they stand; quick where the numbers are small."""
    small = len(keys) > 0 and int(keys.max()) < _COUNTED
    return np.argsort(keys.astype(np.uint16) if small else keys, kind="stable")


def run_of_row(starts: Ints, rows: int) -> Ints:
    """The run of each row, (rows,)."""
    lengths = np.diff(np.append(starts, rows))
    return np.repeat(np.arange(len(starts), dtype=np.int64), lengths)


def any_of_run(mask: Bools, starts: Ints) -> Bools:
    """True for a run with any row true."""
    return np.logical_or.reduceat(mask, starts) if len(starts) else np.zeros(0, dtype=bool)


def first_of_run(mask: Bools, starts: Ints) -> Ints:
    """Row of the first true of each run; the number of rows where there is none."""
    rows = len(mask)
    return np.minimum.reduceat(np.where(mask, np.arange(rows), rows), starts) if len(starts) else starts


def last_of_run(mask: Bools, starts: Ints) -> Ints:
    """Row of the last true of each run; -1 where there is none."""
    return np.maximum.reduceat(np.where(mask, np.arange(len(mask)), -1), starts) if len(starts) else starts


def running_max(values: Floats, starts: Ints) -> Floats:
    """`np.maximum.accumulate` of each run; no value may be nan."""
    out = values.copy()
    falls = np.flatnonzero(values[1:] < values[:-1]) + 1
    run = np.searchsorted(starts, falls, side="right") - 1
    ends = np.append(starts[1:], len(values))
    for k in np.unique(run[starts[run] != falls]).tolist():  # few runs fall anywhere
        part = slice(starts[k], ends[k])
        out[part] = np.maximum.accumulate(values[part])
    return out


def count_up_to(limits: Floats, run: Ints, values: Floats, starts: Ints, *, side: str) -> Ints:
    """`np.searchsorted(values of the run, limit, side)` for each limit; values rise within a run.

    `run` says which run a limit is looked for in. Here runs may be empty: `starts` has one entry more than there are
    runs.
    """
    low, high = starts[run].copy(), starts[run + 1].copy()
    open_ = np.flatnonzero(low < high)
    while len(open_):
        middle = (low[open_] + high[open_]) // 2
        below = values[middle] <= limits[open_] if side == "right" else values[middle] < limits[open_]
        low[open_] = np.where(below, middle + 1, low[open_])
        high[open_] = np.where(below, high[open_], middle)
        open_ = open_[low[open_] < high[open_]]
    return low - starts[run]


def interpolate(x: Floats, run: Ints, xp: Floats, fp: Floats, starts: Ints) -> Floats:
    """`np.interp(x, xp of the run, fp of the run)` for each x; nan where x is. `starts` as in `count_up_to`."""
    first, last = starts[run], starts[run + 1] - 1
    at = first + count_up_to(x, run, xp, starts, side="right") - 1
    inside = (at >= first) & (at < last)
    left = np.where(inside, at, np.clip(at, first, last))
    right = np.where(inside, at + 1, left)
    width = np.where(inside, xp[right] - xp[left], 1.0)
    between = (fp[right] - fp[left]) / width * (x - xp[left]) + fp[left]
    found = np.where(inside & (x != xp[left]), between, fp[left])
    return np.where(np.isnan(x), np.nan, found)
