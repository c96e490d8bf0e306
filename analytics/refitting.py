"""A component refitted after a few new lines, from what its last fit worked out.

The sums of the machines that changed are taken out and put in anew, and the points of the hyperparameters stay where
they are: the effects at each are solved again from where they were, and the points weighed anew by their evidence.
That is the estimate of a fit from scratch with the proposal of a little earlier. It departs from one by what another
choice of points does: `tests/analytics/test_refitting.py` states by how much. Too much change, a cell that was not
there before or points that are worth much less than they were ask for a fit from scratch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.component_work import ComponentWork
from analytics.hyper_nodes import Weighed
from analytics.life_model_types import LifePrior
from analytics.pattern_shape import with_pattern_shape
from analytics.restoration import SHARES, restored
from analytics.soft_terms import LeftOut, matched_anew
from analytics.spells import SPELL_COLUMNS, Bools, Ints, Outcome, Quality, Spells
from analytics.spread_prior import SpreadPrior
from analytics.sufficient_stats import of_replacements
from analytics.unknown_spells import MOST_ROWS

MOST_CHANGED = 0.05  # share of the spells, since the fit from scratch
_MOST_AT_ONCE = 300  # spells taken out and put in one by one
_LEAST_WORTH = 0.5  # of the points, against what they were worth then
_NOTHING = 1e-6  # of a part: what rounding leaves of one that was taken out


@dataclass(frozen=True)
class KeptFit:
    """What the next refit of a component starts from; a refit uses it up, for better or worse.

    marks : (machines,)
        A number for what each machine's spells say.
    worth, changed
        How many points the fit from scratch had, in worth, and how many spells changed since.
    """

    work: ComponentWork
    points: Weighed
    spells: Spells
    marks: NDArray[np.uint64]
    worth: float
    changed: int = 0

    @classmethod
    def of(cls, work: ComponentWork, points: Weighed, spells: Spells) -> KeptFit:
        """What is kept of a fit from scratch."""
        return cls(work, points, spells, _marks(spells), points.worth)


def fit_to_keep(
    spells: Spells, prior: LifePrior, *, seed: int = 0, component: str = "", spread_prior: SpreadPrior | None = None
) -> tuple[ComponentFit, KeptFit]:
    """As `analytics.pooling.fit_component`, with what a refit starts from."""
    work = ComponentWork.of_spells(spells, prior, seed, component)
    points = work.points.both_rounds(spread_prior or SpreadPrior())
    return work.finish_from(points), KeptFit.of(work, points, spells)


def refit(kept: KeptFit, spells: Spells) -> tuple[ComponentFit, KeptFit] | None:
    """Fit a component again whose spells changed a little; None where that takes a fit from scratch.

    Parameters
    ----------
    kept : KeptFit
        Of the same component, prior and prior of the spreads; not to be used again.
    spells : Spells
        All of the component's life records as they are now, machines under the same numbers.
    """
    before = kept.spells
    if (before.cells, before.positions, before.shops) != (spells.cells, spells.positions, spells.shops):
        return None
    marks = _marks(spells)
    changed = _differing(kept.marks, marks)
    work, share = kept.work, float(SHARES[int(np.argmax(kept.work.restoration))])
    assert work.spells is not None
    old, new = work.spells.subset(np.isin(work.spells.machine, changed)), _of(spells, changed)
    many = kept.changed + max(len(old), len(new))
    if len(old) + len(new) > _MOST_AT_ONCE or many > MOST_CHANGED * len(spells) or work.problem.layout is None:
        return None
    new.check()
    new = restored(new, share)
    work = replace(work, spells=restored(spells, share))
    if not _exchange(work, old, new):
        return None
    left_out = None if work.left_out is None else _left_out(work.left_out, changed, new)
    points_work = _matched(replace(work, left_out=left_out), old, new)
    if points_work is None:
        return None
    work = points_work
    points = kept.points
    start = points.found.mean, points.found.variance
    evidence, found = work.problem.solve(points.clock, points.shape, points.log_spreads, start)
    points = replace(points, log_weight=evidence + points.log_offset, found=found)
    if points.worth < _LEAST_WORTH * kept.worth:
        return None
    return work.finish_from(points), KeptFit(work, points, spells, marks, kept.worth, many)


def _exchange(work: ComponentWork, old: Spells, new: Spells) -> bool:
    """Take spells out of the sums and put others in; False if the cells are no longer the same."""
    stats = work.stats
    cells, held = len(stats), stats.parts > _NOTHING
    for at in range(len(old)):
        stats.remove(old, at)
    for at in range(len(new)):
        stats.add(new, at)
    return len(stats) == cells and bool((stats.parts > _NOTHING)[held].all())


def _matched(work: ComponentWork, old: Spells, new: Spells) -> ComponentWork | None:
    """The problem with the sums as they are now, and the counts of what they leave out matched in the cells touched."""
    layout, stats = work.problem.layout, work.stats
    assert layout is not None
    soft, count = layout.soft, len(stats)
    layout = layout.with_sums(stats)
    if work.pattern.mean:
        layout = with_pattern_shape(layout, work.pattern)
    problem = replace(work.problem, layout=layout)
    left_out = work.left_out
    if left_out is not None and (left_out.unknown is not None or left_out.late is not None):
        if soft is None or work.pairs is None:
            return None
        order, touched = layout.cell_of_stats_row, np.zeros(layout.cells, dtype=bool)
        for spells in (s.subset(s.quality != Quality.USED) for s in (old, new)):
            for as_well in (spells, of_replacements(spells, left_out.newest)):
                rows = stats.rows_of(as_well)
                if len(stats) != count:
                    return None
                touched[order[rows]] = True
        problem = matched_anew(problem, stats, left_out, work.pairs, work.pattern, touched)
    return replace(work, problem=problem, left_out=left_out)


def _left_out(before: LeftOut, changed: Ints, new: Spells) -> LeftOut:
    """The spells left out of the sums with those of the machines that changed in place of what was theirs."""
    unknown = ~new.known_start & (new.quality != Quality.USED)
    late = new.known_start & ~np.isin(new.quality, (Quality.USED, Quality.PATTERN))
    late &= new.outcome == Outcome.FAILED_BETWEEN
    return replace(
        before,
        unknown=_replaced(before.unknown, changed, new.subset(unknown)),
        late=_replaced(before.late, changed, new.subset(late)),
    )


def _replaced(before: Spells | None, changed: Ints, new: Spells) -> Spells | None:
    if before is None:
        return new if len(new) else None
    theirs = np.isin(before.machine, changed)
    if len(before) >= MOST_ROWS:  # some stand for all: those parts stay chosen
        place = (before.machine * 1024 + before.position)[theirs]
        new = new.subset(np.isin(new.machine * 1024 + new.position, place))
    both = _joined(before.subset(~theirs), new)
    return both if len(both) else None


def _joined(one: Spells, two: Spells) -> Spells:
    columns: dict[str, Any] = {name: np.concatenate([getattr(one, name), getattr(two, name)]) for name in SPELL_COLUMNS}
    return replace(one, **columns)


def _of(spells: Spells, machines: Ints) -> Spells:
    return spells.subset(np.isin(spells.machine, machines))


def _marks(spells: Spells) -> NDArray[np.uint64]:
    """A number for what the spells of each machine say, whatever their order."""
    mark = np.zeros(len(spells), dtype=np.uint64)
    for name in SPELL_COLUMNS:
        column = getattr(spells, name)
        bits = column.view(np.uint64) if column.dtype.itemsize == 8 else column.astype(np.uint64)
        mark = (mark ^ bits) * np.uint64(0x9E3779B97F4A7C15)
        mark ^= mark >> np.uint64(29)
    out = np.zeros(int(spells.machine.max(initial=-1)) + 1, dtype=np.uint64)
    np.add.at(out, spells.machine, mark)
    return out


def _differing(one: NDArray[np.uint64], two: NDArray[np.uint64]) -> Ints:
    size = max(len(one), len(two))
    first, second = (np.concatenate([m, np.zeros(size - len(m), dtype=np.uint64)]) for m in (one, two))
    found: Bools = first != second
    return np.flatnonzero(found)
