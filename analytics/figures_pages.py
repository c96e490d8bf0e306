"""Pictures for pages, drawn for the width of a phone: one hue, light or dark, told apart by line style and mark.

Drawn as `matplotlib.figure.Figure` (never pyplot) on no background; matplotlib is imported on first use.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import InvalidObservations

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_INCHES = 4.1  # at 96 px an inch the width of a phone, so that 10 pt stay legible there


@dataclass(frozen=True)
class Tone:
    """Colours: of lines, of words, of axes and grid."""

    hue: str
    ink: str
    faint: str


TONES = {"light": Tone("#362b86", "#1d1b2e", "#d9d6e3"), "dark": Tone("#c3c0fb", "#eae8f5", "#454160")}


@dataclass(frozen=True)
class Series:
    """One figure by age with its interval; nan (or None) where there is none. `stepped`: it changes at once."""

    label: str
    at: Sequence[float]
    value: Sequence[float | None]
    low: Sequence[float | None]
    high: Sequence[float | None]
    stepped: bool = False

    def column(self, name: str) -> np.ndarray:
        """One column as numbers."""
        return np.array([np.nan if v is None else v for v in getattr(self, name)], dtype=float)


@dataclass(frozen=True)
class Words:
    """What stands at the axes; `counts` below the ages, by age, under their own title."""

    across: str
    up: str
    counts_title: str = ""
    counts: Sequence[tuple[float, float]] = field(default_factory=tuple)


def draw_by_age(series: Sequence[Series], words: Words, tone: str = "light", *, shares: bool = False) -> Figure:
    """Curves over age: the first solid with a band, the others broken with thin bounds; counts below.

    Parameters
    ----------
    series : sequence of Series
    words : Words
    tone : str
        "light" or "dark".
    shares : bool
        The axis runs from 0 to 100 %.

    Raises
    ------
    InvalidObservations
        Nothing to draw.
    """
    colours, figure, axes = _begin(series, words, tone, 3.2)
    for k, one in enumerate(series):
        at, value, low, high = (one.column(name) for name in ("at", "value", "low", "high"))
        style = "steps-post" if one.stepped else "default"
        axes.plot(
            at, value, linestyle="-" if k == 0 else (0, (5, 2)), color=colours.hue, linewidth=2.0 if k == 0 else 1.6,
            drawstyle=style, label=one.label,
        )  # fmt: skip
        if k == 0:
            axes.fill_between(
                at, low, high, color=colours.hue, alpha=0.22, linewidth=0, step="post" if one.stepped else None
            )
        else:
            for bound in (low, high):
                axes.plot(at, bound, ":", color=colours.hue, linewidth=1.0, drawstyle=style)
    _finish(axes, words, colours, shares=shares, legend=len(series) > 1)
    return figure


def draw_bands(series: Sequence[Series], words: Words, tone: str = "light") -> Figure:
    """A figure for each band of age (`at`: its middle): the first as a line with a band, the second as open marks."""
    colours, figure, axes = _begin(series, words, tone, 2.9)
    top = 1e-9
    for k, one in enumerate(series):
        at, value, low, high = (one.column(name) for name in ("at", "value", "low", "high"))
        if k == 0:
            axes.plot(at, value, "-", marker=".", color=colours.hue, label=one.label)
            axes.fill_between(at, low, high, color=colours.hue, alpha=0.22, linewidth=0)
            top = 1.1 * np.nanmax(high)
            continue
        reach = np.maximum([value - low, high - value], 0.0)
        reach[1][(value == 0) & (high > top)] = 0.0  # a bound far off says how little was watched: the table has it
        axes.errorbar(
            at, value, yerr=reach, fmt="s", color=colours.hue, markersize=5, markerfacecolor="none", elinewidth=0.9,
            ecolor=(colours.hue, 0.4), label=one.label,  # paler: a few parts have intervals as high as the picture
        )  # fmt: skip
        top = max(top, 1.4 * np.nanmax(value))
    _finish(axes, words, colours, shares=False, legend=len(series) > 1)
    axes.set_ylim(0.0, top)  # the bound of a band that saw little would flatten all others
    return figure


def draw_expected(series: Sequence[Series], words: Words, tone: str = "light") -> Figure:
    """Groups in order: what happened (the first series, with intervals) beside what was said (the second)."""
    from matplotlib.ticker import FuncFormatter

    colours, figure, axes = _begin(series, words, tone, 3.2)
    happened, said = series
    at, value, low, high = (happened.column(name) for name in ("at", "value", "low", "high"))
    reach = np.maximum([value - low, high - value], 0.0)
    axes.errorbar(at, value, yerr=reach, fmt="o", color=colours.hue, markersize=5, capsize=2, label=happened.label)
    axes.plot(at, said.column("value"), "s", color=colours.hue, markerfacecolor="none", markersize=9, label=said.label)
    _finish(axes, words, colours, shares=False, legend=True)
    axes.set_yscale("function", functions=(lambda y: np.sqrt(np.maximum(y, 0.0)), np.square))
    axes.set_ylim(0.0, 1.15 * max(np.nanmax(high), np.nanmax(said.column("value")), 0.01))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{100 * y:g} %"))
    axes.set_xticks(at)
    return figure


def _begin(series: Sequence[Series], words: Words, tone: str, height: float) -> tuple[Tone, Figure, Axes]:
    from matplotlib.figure import Figure

    if not series or not any(np.isfinite(one.column("value")).any() for one in series):
        raise InvalidObservations("series: there is nothing to draw")
    figure = Figure(figsize=(WIDTH_INCHES, height + (0.45 if words.counts else 0.0)), layout="constrained")
    figure.patch.set_alpha(0.0)
    axes = figure.subplots()
    axes.patch.set_alpha(0.0)
    return TONES[tone], figure, axes


def _finish(axes: Axes, words: Words, colours: Tone, *, shares: bool, legend: bool) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.set_ylim(0.0, 1.02 if shares else None)
    axes.set_xlim(left=0.0)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:,.0f}".replace(",", "\N{NARROW NO-BREAK SPACE}")))
    if shares:
        axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{100 * y:.0f} %"))
    axes.set_xlabel(words.across, color=colours.ink, fontsize=10)
    axes.set_ylabel(words.up, color=colours.ink, fontsize=10)
    axes.tick_params(colors=colours.ink, labelsize=9, color=colours.faint)
    axes.grid(color=colours.faint, linewidth=0.6)
    axes.set_axisbelow(True)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(colours.faint)
    if legend:  # above the picture, where no line runs through it
        axes.legend(frameon=False, fontsize=9, labelcolor=colours.ink, loc="lower left", bbox_to_anchor=(0.0, 1.0))
    if words.counts:
        _counts_below(axes, words, colours)


def _counts_below(axes: Axes, words: Words, colours: Tone) -> None:
    """How many were still watched, under the ages the axis names."""
    left, right = axes.get_xlim()
    ages = np.array([age for age, _ in words.counts])
    shown = [tick for tick in axes.get_xticks() if left <= tick <= right]
    axes.set_xticks(shown)
    axes.set_xlim(left, right)
    lines = []
    for tick in shown:
        near = int(np.argmin(np.abs(ages - tick)))
        lines.append(f"{words.counts[near][1]:.0f}" if abs(ages[near] - tick) <= 0.02 * (right - left) else "")
    below = axes.secondary_xaxis(-0.22)
    below.set_xticks(shown, lines)
    below.tick_params(length=0, labelsize=9, colors=colours.ink)
    below.spines["bottom"].set_visible(False)
    below.set_xlabel(words.counts_title, fontsize=9, color=colours.ink)
