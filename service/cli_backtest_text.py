"""The `weakspot backtest` command's work: ask, draw, and say in plain words how right the predictions were."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.backtests import BacktestReport, Progress, run_backtest, season
from service.cli_text import console, per_cent
from service.errors import InvalidInput
from service.vocabulary import KM_PER_MILE

if TYPE_CHECKING:
    from service.cli_context import Context

SHOWN_MISSES = 8


def ask_backtest(context: Context, asked: Mapping[str, Any], shop_id: int | None, progress: Progress) -> BacktestReport:
    """Run the backtest that the options describe; `shop_id` None: over all shops' records together."""
    as_of: date = asked["as_of"].date()
    if as_of >= context.now.date():
        raise InvalidInput("--as-of must be a past day: only what followed it can be compared", pointer="/as_of")
    km = None if asked["distance"] is None else asked["distance"] * (KM_PER_MILE if asked["unit"] == "mi" else 1.0)
    with context.ready().read() as session:
        return run_backtest(
            session,
            as_of=as_of,
            now=context.now,
            horizon=season(km, asked["months"]),
            known_at=context.end_of(asked["known_at"]),
            shop_ids=None if shop_id is None else [shop_id],
            level=asked["level"],
            progress=progress,
        )


def shop_asked(session: Session, name: str | None, *, pool_open: bool) -> int | None:
    """Whose records are tried: one shop's, or all shops' together where they share a pool."""
    from service.estimates import pool_is_open
    from service.models import Shop

    if name is not None:
        shop_id = session.scalar(select(Shop.id).where(Shop.name == name))
        if shop_id is None:
            raise InvalidInput(f"there is no shop {name!r}", pointer="/shop")
        return shop_id
    shops = session.scalar(select(func.count(Shop.id))) or 0
    if shops > 1 and not pool_is_open(session, pool_open=pool_open):
        raise InvalidInput("several shops keep records here and share no pool: say which with --shop NAME")
    return None


def save_figure(report: BacktestReport, path: Path) -> None:
    """Draw expected and observed by tenths of the chances given."""
    from analytics.figures_calibration import draw_calibration

    about = report.document["backtest"]
    title = f"Chances given as of {about['as_of']}, {_horizon(about['horizon'])}, beside what followed"
    figure = draw_calibration(report.result.tenths, report.result.level, title)
    try:
        figure.savefig(path, format="svg", metadata={"Date": None})
    except OSError as error:
        raise InvalidInput(f"--figure: cannot write {path}: {error.strerror}") from error


def show_backtest(report: BacktestReport) -> None:
    """The whole result for a terminal."""
    out, document = console(), report.document
    _show_basis(out, document)
    out.print()
    _show_bands(out, document)
    out.print()
    _show_figures(out, document)
    _show_components(out, document)
    _show_misses(out, document["worst_misses"])
    out.print()
    for note in document["notes"]:
        out.print(Text(note, style="dim"))


def _show_basis(out: Console, document: Mapping[str, Any]) -> None:
    about, fitted, followed = document["backtest"], document["fitted_on"], document["followed"]
    out.print(Text(f"As of {about['as_of']}, {_horizon(about['horizon'])}", style="bold"))
    out.print(
        f"Fitted on {fitted['failures']:,.0f} failures among {fitted['parts']:,.0f} parts of {fitted['machines']:,}"
        f" machines, {_count(fitted['shops'], 'shop')}, known through {about['known_through']}."
    )
    out.print(
        f"Followed through {about['records_through']}: {followed['failures']:,.0f} failures among"
        f" {followed['parts']:,.0f} parts of {followed['machines']:,} machines, {_count(followed['shops'], 'shop')};"
        f" {followed['machines_entered_later']:,} machines came in after the day and count from then."
    )
    out.print(
        f"{followed['parts_not_watched_to_the_horizon']:,.0f} parts were not watched to the horizon's end;"
        f" {per_cent(followed['watched_share_of_horizon'])} of the time asked about was watched."
    )
    for why, count in followed["left_out"].items():
        out.print(Text(f"  left out: {count:,} {why}", style="dim"))


def _show_bands(out: Console, document: Mapping[str, Any]) -> None:
    level = document["intervals"]["level"]
    for band in document["calibration"]["bands"]:
        out.print(Text(band_sentence(band)))
    unit = "shops" if document["intervals"]["resampled"] == "shop" else "machines"
    out.print(Text(f"In brackets: {level:.0%} intervals, exact or from drawing whole {unit} anew.", style="dim"))


def band_sentence(band: Mapping[str, Any]) -> str:
    """Such as "Of parts given 10 to 20 %, 14 % failed (11 to 17 %)." with the counts behind it."""
    share = band["at_horizon"]
    counts = (
        f"{band['failures']:,.0f} of {band['parts']:,.0f} failed while watched,"
        f" {band['expected'] * band['parts']:,.0f} were expected"
    )
    given = f"Of parts given {_number(band['from_chance'])} to {_number(band['to_chance'])} %"
    if share["value"] is None:
        return f"{given}, none was watched to the horizon's end; {counts}."
    failed, low, high = (_number(share[key]) for key in ("value", "low", "high"))
    return f"{given}, {failed} % failed ({low} to {high} %); {counts}."


def _number(share: float) -> str:
    """Per cents, whole from 2 on; below that, whole ones would hide a factor of two."""
    if 0 < share < 0.0005:
        return "< 0.1"
    return f"{100 * share:.0f}" if share >= 0.0195 else f"{100 * share:.1f}".removesuffix(".0")


def _show_figures(out: Console, document: Mapping[str, Any]) -> None:
    ratio, slope, score = document["observed_expected"], document["calibration_slope"], document["log_score"]
    out.print(f"Observed / expected: {_estimated(ratio)}. 1 is right; above 1 more failed than was said.")
    if slope["value"] is None:
        out.print("Calibration slope: the data do not say.")
    else:
        out.print(f"Calibration slope: {_estimated(slope)}. 1 is right; below 1 the chances were too far apart.")
    for name, words in (("gain_over_pooled", "one curve for all models"), ("gain_over_prior", "the catalogue prior")):
        gain = {key: None if value is None else 1000 * value for key, value in score[name].items()}
        out.print(f"Log score against {words}: {_estimated(gain, 1)} better per 1,000 parts; below 0 is worse.")
    top = document["top"]
    out.print(
        f"Among the first {top['size']} parts of each of {top['machines']:,} lists: {top['found']:,.1f} failures;"
        f" {top['by_chance']:,.1f} by chance, {top['by_pooled']:,.1f} by one curve, {top['by_prior']:,.1f} by the"
        f" prior, {top['hindsight']:,.1f} in hindsight."
    )


def _show_components(out: Console, document: Mapping[str, Any]) -> None:
    off = [c for c in document["components"] if c["ratio"]["low"] is not None]
    off = [c for c in off if c["ratio"]["low"] > 1 or c["ratio"]["high"] < 1]
    by_luck = (1 - document["intervals"]["level"]) * len(document["components"])
    out.print(
        f"Components whose failures do not fit the expected count: {len(off)} of {len(document['components'])}"
        f" (about {by_luck:.0f} by luck alone)."
    )
    for tally in sorted(off, key=lambda c: -abs(c["observed"] - c["expected"]))[:SHOWN_MISSES]:
        name = tally["component"].replace("_", " ")
        out.print(Text(f"  {name}: {tally['observed']:,.0f} failed, {tally['expected']:,.1f} expected"))


def _show_misses(out: Console, misses: list[Mapping[str, Any]]) -> None:
    table = Table(
        title="Where it was furthest off", title_justify="left", title_style="bold", box=None, pad_edge=False,
        header_style="dim",
    )  # fmt: skip
    for title in ("Machine", "Part", "Given, while watched", "What followed"):
        table.add_column(title, justify="right" if title.startswith("Given") else "left")
    for miss in misses[:SHOWN_MISSES]:
        part = miss["name"] + (f", {miss['position'].replace('_', ' ')}" if miss["position"] else "")
        what = f"failed by {miss['until']}" if miss["failed"] else f"still good on {miss['until']}"
        machine = f"{miss['machine']} ({miss['make']} {miss['model']})"
        table.add_row(Text(machine), Text(part), f"{_number(miss['chance_over_time_watched'])} %", what)
    out.print()
    out.print(table)


def _estimated(figure: Mapping[str, Any], digits: int = 2) -> str:
    if figure["value"] is None:
        return "not determined"
    if figure["low"] is None:
        return f"{figure['value']:.{digits}f}"
    return f"{figure['value']:.{digits}f} ({figure['low']:.{digits}f} to {figure['high']:.{digits}f})"


def _horizon(horizon: Mapping[str, Any]) -> str:
    parts = [] if horizon["distance_km"] is None else [f"{horizon['distance_km']:,.0f} km"]
    parts += [] if horizon["days"] is None else [f"{horizon['days'] / (365.25 / 12):.0f} months"]
    return " or ".join(parts) + " ahead" + (", whichever comes first" if len(parts) > 1 else "")


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")
