"""What was known on a past day: the lines dated up to then, and what follows from them alone.

Lines imported long after the work was done are the rule (old cards, papers), so the day a line was recorded cannot
by itself say what was known: a line counts if its *date* lies at or before the day. With `known_at` it must also have
been recorded by then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.histories import Lines, machine_slices, positions_in_use
from analytics.spells import Bools, Floats
from service.lifetimes import Dataset
from service.models import JobLine


def latest_days(session: Session, dataset: Dataset) -> Floats:
    """Ordinal of the last day each line may be of (a month or a year runs to its end); nan for no date."""
    latest = {row.id: row.date_latest for row in session.execute(select(JobLine.id, JobLine.date_latest))}
    days = [latest[line_id] for line_id in dataset.line_ids]
    return np.array([float("nan") if day is None else float(day.toordinal()) for day in days], dtype=float)


def known_by(lines: Lines, latest: Floats, cut: Floats) -> Bools:
    """Which lines are of a day at or before the cut of their machine.

    A line without date belongs before unless its odometer reading is above all readings dated up to the cut.

    Parameters
    ----------
    lines : Lines
        n of them, sorted by machine.
    latest : array (n,)
        From `latest_days`.
    cut : array (machines,)
        Ordinal of the last day known, by machine.
    """
    undated = np.isnan(latest)
    dated = ~undated & (np.where(undated, np.inf, latest) <= cut[lines.machine])
    known = dated.copy()
    for _, rows in machine_slices(lines.machine):
        readings = np.where(dated[rows] & ~np.asarray(lines.in_doubt[rows], dtype=bool), lines.reading_km[rows], np.nan)
        highest = np.nanmax(readings, initial=-np.inf)
        reading = lines.reading_km[rows]
        known[rows] |= undated[rows] & (np.isnan(reading) | (np.where(np.isnan(reading), 0.0, reading) <= highest))
    return known


def keep_lines(lines: Lines, kept: Bools) -> Lines:
    """The lines picked by a mask."""
    at = np.flatnonzero(kept)
    texts = {name: [getattr(lines, name)[k] for k in at] for name in ("action", "reason", "source")}
    columns = ("machine", "card", "day", "reading_km", "component", "position", "quality", "in_doubt")
    return Lines(**{name: getattr(lines, name)[at] for name in columns}, **texts)  # type: ignore[arg-type]


def as_known(dataset: Dataset, kept: Bools, documents: Mapping[str, Mapping[str, Any]]) -> Dataset:
    """The dataset of some of its lines; which places a component has is read from these lines alone."""
    lines = keep_lines(dataset.lines, kept)
    families = [f"{cell.make}/{cell.family or cell.model}" for cell in dataset.names.cells]
    cells = dataset.machines.cell[lines.machine]
    units = tuple(
        replace(
            one,
            positions_by_cell=_as_built(
                positions_in_use(
                    lines.component, lines.position, cells, families, one.index,
                    fixed=documents[one.slug]["position_rule"] == "fixed",
                ),
                one.positions_by_cell,
            ),
        )
        for one in dataset.components
    )  # fmt: skip
    days = lines.day[~np.isnan(lines.day) & ~np.asarray(lines.in_doubt, dtype=bool)]
    return replace(
        dataset,
        lines=lines,
        line_ids=tuple(line_id for line_id, yes in zip(dataset.line_ids, kept, strict=True) if yes),
        components=units,
        data_through=date.fromordinal(int(days.max())) if len(days) else None,
    )


def _as_built(used: Sequence[tuple[int, ...]], built: Sequence[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Positions by cell, of those that the model has."""
    return [tuple(p for p in one if p in two) or one for one, two in zip(used, built, strict=True)]
