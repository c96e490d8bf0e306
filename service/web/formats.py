"""Numbers, distances, money and days as the reader's locale and shop write them."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any

from babel.dates import format_date, format_datetime, format_skeleton
from babel.numbers import format_currency, format_decimal, format_percent
from flask import Flask
from jinja2 import pass_context
from jinja2.runtime import Context

from service.ages import rough
from service.vocabulary import KM_PER_MILE
from service.web.current import current
from service.web.texts import _, current_locale, locale_of, reader

ISO_DAY = re.compile(r"\d{4}(-\d\d){0,2}")
# Steps of the one-hue scale: a chance below the figure belongs to the step before it.
STEPS = (0.02, 0.08, 0.20, 0.40)
KEPT = 4096  # figures kept as written: a page says the same ones again and again, and writing one takes Babel long


def number(value: float | Decimal | None, digits: int = 0, least: int = 0) -> str:
    """A number with at most so many digits after the point, and at least so many; a dash where there is none."""
    if value is None:
        return "–"
    return _number(value, digits, least, reader().name)


@lru_cache(KEPT)
def _number(value: float | Decimal, digits: int, least: int, locale_name: str) -> str:
    shape = f"#,##0.{'0' * least}{'#' * (digits - least)}"
    return format_decimal(value, format=shape, locale=locale_of(locale_name)).rstrip()


def distance(value_km: float | None) -> str:
    """A distance kept in km, in the shop's unit."""
    if value_km is None:
        return "–"
    return f"{number(in_unit(value_km))} {current.unit}"


def rough_distance(value_km: float | None, span_km: float | None = None) -> str:
    """A distance as finely as it is known: to a quarter of the range that is nearly as good, or to two digits."""
    if value_km is None:
        return "–"
    span = None if span_km is None else in_unit(span_km)
    return f"{number(rough(in_unit(value_km), span))} {current.unit}"


def in_unit(value_km: float) -> float:
    """A distance kept in km as a number in the shop's unit."""
    return value_km / KM_PER_MILE if current.unit == "mi" else value_km


def money(value: Decimal | float | str | None, currency: str | None = None) -> str:
    """An amount with its currency, the shop's if not another is named."""
    if value is None:
        return "–"
    return format_currency(Decimal(str(value)), currency or current.currency, locale=current_locale())


def about_money(value: Decimal | float | str | None, currency: str | None = None) -> str:
    """An estimated amount: no cents, which nobody could know."""
    if value is None:
        return "–"
    locale = current_locale()
    whole = locale.currency_formats["standard"].pattern.replace(".00", "")
    name = currency or current.currency
    return format_currency(Decimal(str(value)), name, format=whole, locale=locale, currency_digits=False)


def reading(value: float | Decimal | None, unit: str | None) -> str:
    """A reading of the odometer as it was written; beside it the same in the shop's unit, where that is another."""
    written = f"{number(value)} {unit or ''}".strip()
    if value is None or unit not in ("km", "mi") or unit == current.unit:
        return written
    km = float(value) * (KM_PER_MILE if unit == "mi" else 1.0)
    return _("%(distance)s (written as %(written)s)", distance=distance(km), written=written)


def day(value: date | datetime | None) -> str:
    """A day, such as 1 Jun 2026."""
    return format_date(value, "medium", locale=current_locale()) if value else "–"


def years(value: float, digits: int = 0) -> str:
    """So many years."""
    shown = number(value, digits)
    return _("%(n)s year", n=shown) if shown == number(1) else _("%(n)s years", n=shown)


def iso_day(text: str | None) -> str:
    """A day written as ISO has it, as the reader's locale writes it."""
    return day(date.fromisoformat(text)) if text else "–"


def rough_day(text: str | int | None) -> str:
    """A day, month or year that is written as ISO has it, in the way of the reader's locale; others as written."""
    written = str(text or "–")
    if not ISO_DAY.fullmatch(written):
        return written
    year, *rest = (int(figures) for figures in written.split("-"))
    try:
        first = date(year, *rest, *(1, 1)[len(rest) :])
    except ValueError:  # there is no such day
        return written
    if len(rest) == 1:
        return format_skeleton("yMMM", first, locale=current_locale())
    return day(first) if rest else written


def moment(value: datetime | None) -> str:
    """A moment in UTC, and saying so."""
    return format_datetime(value, "medium", locale=current_locale()) + " UTC" if value else "–"


def per_cent(chance: float) -> str:
    """A chance in per cent; small ones are not rounded to nothing, large ones not to certainty."""
    if chance < 0.01:
        return _("below %(share)s", share=share(0.01))
    if chance > 0.99:
        return _("above %(share)s", share=share(0.99))
    return share(chance)


def share(chance: float) -> str:
    """A share in whole per cent."""
    return _share(round(chance, 4), reader().name)


@lru_cache(KEPT)
def _share(chance: float, locale_name: str) -> str:
    # ISO 80000-1, section 7.1.4: a space between the number and the sign; here one that does not break.
    return format_percent(chance, format="#0\N{NO-BREAK SPACE}%", locale=locale_of(locale_name))


COARSE, HALF = 0.35, 5  # from here on tenths tell more than ones in a number do, but for one in two


def one_in(chance: float) -> str:
    """The same chance as "1 in 5"; as "4 in 10" where ones in a number would be too coarse."""
    if chance < 0.0005:
        return _("1 in thousands")
    if chance >= 0.95:
        return _("nearly all")
    tenths = round(chance * 10)
    if chance > COARSE and tenths != HALF:
        return _("%(many)s in 10", many=tenths)
    return _("1 in %(many)s", many=number(round(1 / chance)))


def step_of(chance: float) -> int:
    """1 to 5: which step of the one-hue scale a chance belongs to."""
    return 1 + sum(chance >= limit for limit in STEPS)


def step_word(chance: float) -> str:
    """The step in a word, so that nobody has to tell shades apart."""
    words = (_("remote"), _("slight"), _("noticeable"), _("considerable"), _("pressing"))
    return words[step_of(chance) - 1]


def register_formats(app: Flask) -> None:
    """Offer all of them to templates as filters."""
    amounts = (number, distance, rough_distance, rough, in_unit, reading, money, about_money)
    for filter_ in (*amounts, day, years, iso_day, rough_day, moment, share, per_cent, one_in, step_of, step_word):
        app.add_template_filter(filter_)
    counted = app.jinja_env.globals["ngettext"]

    @pass_context
    def ngettext(context: Context, one: str, many: str, count: float, /, **values: Any) -> Any:
        """A count in a sentence is written as any other number, thousands parted."""
        return counted(context, one, many, count, **{"num": number(count), **values})  # type: ignore[operator]

    app.jinja_env.globals["ngettext"] = ngettext
