"""Pictures behind the pages, as SVG or PNG; drawn when asked for, then kept."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from analytics.figures_pages import Series, Words, draw_bands, draw_by_age, draw_expected
from service.errors import NotFound
from service.kept import Kept

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = {"svg": "image/svg+xml", "png": "image/png"}
SURVIVAL, FAILURES, REPEATS = "survival", "failures", "repeats"
_DPI = 200
_drawing = threading.Lock()  # matplotlib is not meant for several threads at once
_kept: Kept[bytes] = Kept(256)


def life_picture(
    document: Mapping[str, Any],
    name: str,
    words: Callable[[str], str],
    *,
    per_unit: float,
    clock: str = "days",
    tone: str = "light",
    kind: str = "svg",
) -> bytes:
    """One picture of a document of `service.life_documents`.

    Parameters
    ----------
    document : mapping
    name : str
        `SURVIVAL`, `FAILURES` (by band of age) or `REPEATS`.
    words : callable
        The reader's words for "across", "up", "estimated", "own" and "watched" of that picture.
    per_unit : float
        Units of the document's age in one unit of the axis.
    clock : str
        The document's: with "km", failures are counted in a thousand units of distance and follow the axis' unit.
    tone, kind : str
        "light" or "dark"; "svg" or "png".

    Raises
    ------
    NotFound
        The records hold nothing to draw.
    """
    if name == SURVIVAL:
        series = [
            _by_age(document[who], words(who), per_unit, who == "own") for who in ("estimated", "own") if document[who]
        ]
        own = document["own"]
        counts = tuple((row["age"] / per_unit, row["at_risk"]) for row in own["curve"]) if own else ()
        shown = Words(words("across"), words("up"), words("watched"), counts)
        return _drawn((name, tuple(series), shown, tone), kind, lambda: draw_by_age(series, shown, tone, shares=True))
    if name == FAILURES:
        times = per_unit if clock == "km" else 1.0
        bands = [_by_band(document[who], words(who), per_unit, times) for who in ("estimated", "own") if document[who]]
        shown = Words(words("across"), words("up"))
        return _drawn((name, tuple(bands), shown, tone), kind, lambda: draw_bands(bands, shown, tone))
    if name == REPEATS and document["repeats"]:
        repeats = document["repeats"]
        counted = [_by_age(repeats, words("own"), per_unit, False)]
        counts = tuple((row["age"] / per_unit, row["watched"]) for row in repeats["curve"])
        shown = Words(words("across"), words("up"), words("watched"), counts)
        return _drawn((name, tuple(counted), shown, tone), kind, lambda: draw_by_age(counted, shown, tone))
    raise NotFound("there is no such picture")


def calibration_picture(
    groups: Sequence[Mapping[str, Any]], words: Callable[[str], str], *, tone: str = "light", kind: str = "svg"
) -> bytes:
    """What happened beside what was said, by tenths of the chances given (`calibration.tenths` of a backtest)."""
    at = tuple(float(k + 1) for k in range(len(groups)))
    observed = [group["observed"] for group in groups]
    said = tuple(group["expected"] for group in groups)
    series = [_series(words("happened"), at, observed), Series(words("said"), at, said, said, said)]
    shown = Words(words("across"), words("up"))
    return _drawn(("calibration", tuple(series), shown, tone), kind, lambda: draw_expected(series, shown, tone))


def _by_age(part: Mapping[str, Any], label: str, per_unit: float, stepped: bool) -> Series:
    return _series(label, tuple(row["age"] / per_unit for row in part["curve"]), part["curve"], stepped)


def _by_band(part: Mapping[str, Any], label: str, per_unit: float, times: float) -> Series:
    rows = part["hazards"]
    return _series(label, tuple((row["from"] + row["to"]) / 2 / per_unit for row in rows), rows, times=times)


def _series(
    label: str,
    at: tuple[float, ...],
    rows: Sequence[Mapping[str, Any]],
    stepped: bool = False,
    times: float = 1.0,
) -> Series:
    value, low, high = (
        tuple(None if row[name] is None else times * row[name] for row in rows) for name in ("value", "low", "high")
    )
    return Series(label, at, value, low, high, stepped)


def _drawn(key: tuple[Any, ...], kind: str, draw: Callable[[], Figure]) -> bytes:
    def make() -> bytes:
        with _drawing:
            return _written(draw(), kind)

    return _kept.get((*key, kind), make)


def _written(figure: Figure, kind: str) -> bytes:
    out = io.BytesIO()
    if kind == "png":
        figure.savefig(out, format="png", dpi=_DPI, facecolor="white")
    else:
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
