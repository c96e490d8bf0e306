"""What a shop puts into the pool, and which counts of the pool may be published.

Contribution: the sufficient part of each spell on coarse clocks. Distances are rounded to 500 km, times to months;
the machine's own clocks stand in for dates, so no day of any visit is told.

Publication: one fixed grid of disjoint cells (component x model x band of the machine's distance), at fixed dates.
A cell needs `LEAST_MACHINES`, `LEAST_SHOPS`, and no shop with more than `MOST_OF_ONE_SHOP` of its events; and every
figure published for it must hold something new of at least `LEAST_SHOPS` shops, counted against *all* earlier
figures of that cell together.

Why the last rule is enough against linear algebra: strike out what any four shops put in. Each figure still has a
term that no earlier figure of the cell has, so the figures stay linearly independent. Hence no combination of them
is made of four shops' terms alone: two shops that put their own numbers together cannot isolate what one other, or
two others, put in. Cells share no terms, so figures of other cells do not help (`analytics.rank_audit` checks this
on what was really published).

Rounding and thresholds are the project's own choices; the shape of the rule (minimum frequency, dominance, no
differences between releases) is what statistical offices use: Hundepool et al., "Statistical Disclosure Control",
2012, chapters 4 and 5 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from analytics.spells import DAYS_PER_YEAR, Bools, Cell, Floats, Outcome, Spells

DISTANCE_STEP_KM = 500.0
MONTH_DAYS = DAYS_PER_YEAR / 12
# Where one band of the machine's distance ends and the next begins; the last one has no end.
BAND_EDGES_KM = (0.0, 10_000.0, 20_000.0, 30_000.0, 40_000.0, 60_000.0, 80_000.0, 120_000.0, np.inf)
GRID = "component x model x machine distance, 1"
LEAST_MACHINES = 10
LEAST_SHOPS = 5
MOST_OF_ONE_SHOP = 0.5
COLLUDERS = 2  # shops that might put their numbers together

PUBLISH = "published"
FEW_MACHINES = "fewer than 10 machines"
FEW_SHOPS = "fewer than 5 shops"
DOMINATED = "one shop has more than half of the events"
FEW_CHANGED = "fewer than 5 shops have anything new"


class Share(NamedTuple):
    """What one shop puts into one cell; `failures` are weighted where a line's position is unknown."""

    failures: float
    machines: int
    exposure_km: float


@dataclass(frozen=True, order=True)
class GridCell:
    """One cell of the published grid; `band` counts from 0."""

    component: str
    make: str
    model: str
    band: int


@dataclass(frozen=True)
class CellContent:
    """One cell with everybody's share; `machines` counts a machine once though several shops saw it."""

    shares: Mapping[str, Share]
    machines: int

    @property
    def failures(self) -> float:
        return float(sum(share.failures for share in self.shares.values()))

    @property
    def exposure_km(self) -> float:
        return float(sum(share.exposure_km for share in self.shares.values()))


def coarsened(spells: Spells) -> Spells:
    """The spells on clocks rounded to 500 km and to months.

    Order on each clock is kept (start <= entry <= last known good <= exit). A part that ran at all keeps at least
    half a step of age, or its failure would stand at age 0.
    """
    columns: dict[str, Any] = {}
    for clock, step in (("km", DISTANCE_STEP_KM), ("days", MONTH_DAYS)):
        for stem in ("start", "entry", "lower", "exit", "repair"):
            name = f"{stem}_{clock}"
            columns[name] = np.round(getattr(spells, name) / step) * step
        start, exit_ = columns[f"start_{clock}"], columns[f"exit_{clock}"]
        ran = getattr(spells, f"exit_{clock}") > getattr(spells, f"start_{clock}")
        columns[f"exit_{clock}"] = np.where(ran & (exit_ <= start), start + step / 2, exit_)
    return replace(spells, **columns)


def grid_contents(component: str, spells: Spells, who: Sequence[str]) -> dict[GridCell, CellContent]:
    """What every shop puts into every cell of one component.

    Parameters
    ----------
    component : str
    spells : Spells
        Life records of that component.
    who : sequence of str
        Name of each contributor, by the index in `spells.shop`.

    Notes
    -----
    An event belongs to the band the machine was in when it happened, distance watched to the band it was run in: the
    cells are disjoint. Renewals of unknown reason are no events here.
    """
    found: dict[GridCell, CellContent] = {}
    if not len(spells):
        return found
    models: list[tuple[str, str]] = sorted({(cell.make, cell.model) for cell in spells.cells})
    model_of_cell = np.array([models.index((cell.make, cell.model)) for cell in spells.cells])
    model = model_of_cell[spells.cell]
    failed = np.isin(spells.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN))
    for band, (low, high) in enumerate(pairwise(BAND_EDGES_KM)):
        ran = np.maximum(np.minimum(spells.exit_km, high) - np.maximum(spells.entry_km, low), 0.0)
        above = spells.exit_km > low if band else np.ones(len(spells), dtype=bool)
        here = failed & above & (spells.exit_km <= high)
        seen = (ran > 0) | here
        for index in np.unique(model[seen]):
            mine = seen & (model == index)
            make, name = models[int(index)]
            found[GridCell(component, make, name, band)] = _content(spells, mine, ran, here, who)
    return found


def _content(spells: Spells, mine: Bools, ran: Floats, here: Bools, who: Sequence[str]) -> CellContent:
    shares = {}
    for shop in np.unique(spells.shop[mine]):
        own = mine & (spells.shop == shop)
        weight = spells.weight[own]
        shares[who[int(shop)]] = Share(
            round(float(weight @ here[own]), 3),
            len(np.unique(spells.machine[own])),
            round(float(weight @ ran[own]), 1),
        )
    return CellContent(shares, len(np.unique(spells.machine[mine])))


def below_rule(content: CellContent) -> str:
    """Why a cell may not be shown whatever was shown before; empty where it may."""
    if content.machines < LEAST_MACHINES:
        return FEW_MACHINES
    if len(content.shares) < LEAST_SHOPS:
        return FEW_SHOPS
    # Where nothing failed, who watched most is what could be told.
    events = [share.failures for share in content.shares.values()]
    if not sum(events):
        events = [share.exposure_km for share in content.shares.values()]
    if max(events) > MOST_OF_ONE_SHOP * sum(events):
        return DOMINATED
    return ""


def decide(content: CellContent, earlier: Iterable[Mapping[str, Share]]) -> str:
    """Whether a cell is published now: `PUBLISH`, or the reason why not.

    Parameters
    ----------
    content : CellContent
        As it stands now.
    earlier : iterable of mappings of contributor to Share
        What stood behind each figure published for this cell before, whenever that was.
    """
    reason = below_rule(content)
    if reason:
        return reason
    told = {(shop, share) for shares in earlier for shop, share in shares.items()}
    new = sum((shop, share) not in told for shop, share in content.shares.items())
    return PUBLISH if new >= LEAST_SHOPS else FEW_CHANGED


@dataclass(frozen=True)
class FixedCurve:
    """Mean failures a part up to each distance of the fixed grid, as far as the cells without a gap reach.

    Attributes
    ----------
    distance_km, failures_per_part : (points,)
        Starting at 0.
    """

    distance_km: tuple[float, ...]
    failures_per_part: tuple[float, ...]


def fixed_curve(cells: Mapping[int, tuple[float, float]]) -> FixedCurve:
    """The curve of one component on one model from its published cells, (failures, exposure in km) by band.

    Bands are steps of the grid and not of the records: where a record lies cannot be read off. The open last band
    has no width and no point.
    """
    distance, level = [0.0], [0.0]
    for band in range(len(BAND_EDGES_KM) - 2):
        failures, exposure_km = cells.get(band, (0.0, 0.0))
        if exposure_km <= 0:
            break
        width = BAND_EDGES_KM[band + 1] - BAND_EDGES_KM[band]
        distance.append(BAND_EDGES_KM[band + 1])
        level.append(level[-1] + failures / exposure_km * width)
    return FixedCurve(tuple(distance), tuple(level))


def cell_of(component: str, cell: Cell, band: int) -> GridCell:
    """The grid's cell of a machine's make and model."""
    return GridCell(component, cell.make, cell.model, band)
