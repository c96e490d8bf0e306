"""A backtest drawn: what was expected and what happened in each tenth of the parts, with the counts below.

Drawn as `matplotlib.figure.Figure` (never pyplot), one hue; matplotlib is imported on first use.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analytics.backtest_types import CalibrationGroup
from analytics.errors import InvalidObservations

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK = "#1f3a5f"


def draw_calibration(groups: Sequence[CalibrationGroup], level: float, title: str = "") -> Figure:
    """Share failed while watched (dots with intervals) beside the share expected for the same time (open squares).

    Parameters
    ----------
    groups : sequence of CalibrationGroup
        In order of the chances given.
    level : float
        Of the intervals, for the legend.
    title : str

    Raises
    ------
    InvalidObservations
        Nothing to draw.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    if not groups:
        raise InvalidObservations("groups: there is nothing to draw")
    figure = Figure(figsize=(1.6 + 0.72 * max(len(groups), 6), 5.0), layout="constrained")
    axes, table = figure.subplots(2, 1, sharex=True, height_ratios=(10, 3))
    at = np.arange(len(groups))
    observed = np.array([(g.observed.value, g.observed.low, g.observed.high) for g in groups]).T
    reach = np.maximum([observed[0] - observed[1], observed[2] - observed[0]], 0.0)
    axes.errorbar(
        at, observed[0], yerr=reach, fmt="o", color=_INK, capsize=3, label=f"failed, with {100 * level:.0f} % interval"
    )
    expected = [g.expected for g in groups]
    axes.plot(at, expected, "s", color=_INK, markerfacecolor="none", markersize=9, label="expected for that time")
    axes.set_yscale("function", functions=(_root, np.square))  # most chances are small; zero must still have a place
    axes.set_ylim(0.0, 1.08 * max(*observed[2], *expected, 0.01))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{100 * y:g} %"))
    axes.set_ylabel("Share of parts, while watched\n(square-root scale)")
    axes.grid(axis="y", color="0.9")
    axes.legend(frameon=False, loc="upper left")
    axes.set_title(title, loc="left", fontsize="medium")
    _draw_counts(table, groups)
    return figure


def _root(values: np.ndarray) -> np.ndarray:
    return np.sqrt(np.maximum(values, 0.0))


def _draw_counts(table: Axes, groups: Sequence[CalibrationGroup]) -> None:
    for k, group in enumerate(groups):
        cells = (f"{100 * group.mean_chance:.2g} %", f"{group.parts:,.0f}", f"{group.failures:,.0f}")
        for row, text in enumerate(cells):
            table.text(k, row, text, ha="center", va="center", fontsize="small", color=_INK)
    table.set_yticks(range(3), ["chance given", "parts", "failed"])
    table.set_ylim(2.6, -0.6)
    table.tick_params(length=0, labelbottom=False)
    for side in table.spines.values():
        side.set_visible(False)
