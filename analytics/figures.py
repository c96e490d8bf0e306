"""Results drawn as `matplotlib.figure.Figure`, safe in threads (never pyplot); one hue, told apart by line style.

matplotlib is imported on first use: a server that draws nothing does not pay for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np

from analytics.curves import HAZARD, INCIDENCE, MEAN_COUNT, SURVIVAL, Curve
from analytics.errors import InvalidObservations

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK = "#1f3a5f"
_MOST_STEPS = 1500  # more cannot be seen, and each is a line in an SVG
_STYLES = ("-", "--", ":", "-.")
_MARKS = ("", "o", "s", "^")
_NAMES = {
    SURVIVAL: "Share still good",
    HAZARD: "Accumulated hazard",
    INCIDENCE: "Share ended by this cause",
    MEAN_COUNT: "Mean number of events a machine",
}


def draw_curves(curves: Sequence[Curve], labels: Sequence[str], unit: str) -> Figure:
    """Curves of one kind over age, with intervals as bands and the number at risk below the axis.

    Parameters
    ----------
    curves : sequence of Curve
        Of one kind.
    labels : sequence of str
        One a curve.
    unit : str
        Unit of age for the axis, such as "km".

    Raises
    ------
    InvalidObservations
        Nothing to draw, kinds mixed, or labels that do not match.
    """
    from matplotlib.figure import Figure

    if not curves or len(curves) != len(labels):
        raise InvalidObservations("labels: give one label a curve, at least one curve")
    if len({curve.kind for curve in curves}) > 1:
        raise InvalidObservations("curves: all must be of one kind to share an axis")
    figure = Figure(figsize=(7.0, 4.2 + 0.25 * len(curves)), layout="constrained")
    axes, table = figure.subplots(2, 1, sharex=True, height_ratios=(9, 1 + len(curves)))
    for curve, label, style, mark in zip(curves, labels, cycle(_STYLES), cycle(_MARKS), strict=False):
        _draw(axes, curve, label, style, mark)
    axes.set_ylabel(_NAMES[curves[0].kind])
    axes.set_ylim(bottom=0.0, top=1.02 if curves[0].kind == SURVIVAL else None)
    axes.set_xlim(left=min(curve.condition_at for curve in curves))
    axes.grid(color="0.9")
    if len(curves) > 1:
        axes.legend(frameon=False)
    _draw_at_risk(axes, table, curves, labels, unit)
    return figure


def draw_mcf(curve: Curve, unit: str, label: str = "machines") -> Figure:
    """One mean cumulative function with its interval and how many machines are watched below the axis."""
    if curve.kind != MEAN_COUNT:
        raise InvalidObservations("curve: must be a mean cumulative function")
    return draw_curves([curve], [label], unit)


def _draw(axes: Axes, curve: Curve, label: str, style: str, mark: str) -> None:
    start = 1.0 if curve.kind == SURVIVAL else 0.0
    shown = np.flatnonzero(curve.events > 0)
    if len(shown) > _MOST_STEPS:
        shown = shown[np.linspace(0, len(shown) - 1, _MOST_STEPS).astype(int)]
    time = np.concatenate([[curve.condition_at], curve.time[shown], [curve.followed_to]])

    def steps(values: np.ndarray) -> np.ndarray:
        moved = np.concatenate([[start], values[shown]])
        return np.append(moved, moved[-1])

    every = max(1, len(time) // 8)
    axes.step(time, steps(curve.estimate), style, where="post", color=_INK, label=label, marker=mark, markevery=every)
    if np.isfinite(curve.low).any():
        axes.fill_between(time, steps(curve.low), steps(curve.high), step="post", color=_INK, alpha=0.12, linewidth=0)


def _draw_at_risk(axes: Axes, table: Axes, curves: Sequence[Curve], labels: Sequence[str], unit: str) -> None:
    left, right = axes.get_xlim()
    ticks = [tick for tick in axes.get_xticks() if left <= tick <= right]
    for row, curve in enumerate(curves):
        # Just after a tick, so that the first column shows who starts, not nobody.
        counts = curve.at_risk_at(np.nextafter(np.array(ticks), np.inf))
        for tick, count in zip(ticks, counts, strict=True):
            table.text(tick, row, f"{count:.4g}", ha="center", va="center", fontsize="small", color=_INK)
    table.set_yticks(range(len(labels)), labels)
    table.set_ylim(len(labels) - 0.4, -0.6)
    table.tick_params(length=0)
    for side in table.spines.values():
        side.set_visible(False)
    table.set_title("Number at risk", loc="left", fontsize="small")
    table.set_xlabel(f"Age ({unit})")
