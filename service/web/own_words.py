"""What the service says in English, in the reader's language and unit; what stays English says so."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from flask import Flask
from markupsafe import Markup, escape

from service.backtest_refusals import nothing_after, nothing_before
from service.imports.odometer_doubts import TOO_FAST
from service.said import Day, Distance, Money, Number, Part, Place, Said, Share, known_again
from service.web.formats import about_money, day, distance, number, share
from service.web.names import part_name, place_name
from service.web.texts import SOURCE_LANGUAGE, reader

ONLY_VALUES = re.compile(r"(%\(\w+\)s|\W)*")


# Sentences with values that do not change, which are stored as plain text; and others, whose values are days.
AS_STORED = {str(sentence): sentence for sentence in (TOO_FAST,)}
WITH_DAYS = tuple(map(known_again, (nothing_before(date.min), nothing_after(date.min, date.min))))


class English(str):
    """A label that is the catalogue's, and in English."""


def catalogue_label(text: str, place: str = "") -> str:
    """The label of a choice that the catalogue names, in the reader's language where that has it; with its place."""
    known = reader().texts.gettext(text)
    made = f"{known}, {place}" if place else known
    return English(made) if known == text else made


def own_words(text: object, *, large: bool = False) -> Markup:
    """A sentence of the service as a page says it; `large`: beginning with a capital letter.

    A sentence that has no translation keeps its English, marked as such for whoever reads aloud.
    """
    if isinstance(text, Markup):
        return text
    who = reader()
    text = text if isinstance(text, Said) else _as_stored(str(text))
    template = text.template if isinstance(text, Said) else str(text)
    values: Mapping[str, Any] = text.values if isinstance(text, Said) else {}
    known = who.texts.gettext(template) if template else ""
    stays = who.locale.language != SOURCE_LANGUAGE and known == template and not ONLY_VALUES.fullmatch(template)
    begun = known[:1].upper() + known[1:] if large else known
    said = escape(begun) % {name: _value(value) for name, value in values.items()} if values else escape(begun)
    glued = said.replace(" %", "\N{NO-BREAK SPACE}%")  # no line breaks between a number and its sign
    return Markup('<span lang="en">%s</span>') % glued if stays else glued


def _as_stored(text: str) -> str:
    """A sentence that was stored as plain text, with its values where they are known again."""
    return AS_STORED.get(text) or next(filter(None, (find(text) for find in WITH_DAYS)), text)


def _value(value: Any) -> Markup:
    make = SHOWN.get(type(value))
    return own_words(value) if isinstance(value, Said) else escape(make(value) if make else value)


SHOWN: dict[type, Callable[[Any], str]] = {
    Distance: lambda value: distance(value.km),
    Number: lambda value: number(value.value, value.digits, value.digits),
    Share: lambda value: share(value.value),
    Money: lambda value: about_money(value.amount, value.currency),
    Day: lambda value: day(value.day),
    Part: lambda value: name_of_part(value.slug),
    Place: lambda value: place_name(value.name),
}


def of_catalogue(text: object) -> Markup:
    """A text of the catalogue: in the reader's language where that has it, else in English and marked so."""
    if reader().locale.language == SOURCE_LANGUAGE or not str(text):
        return escape(text)
    return own_words(text)


def label(text: object) -> Markup:
    """The label of a choice: marked where it is English of the catalogue."""
    marked = isinstance(text, English) and reader().locale.language != SOURCE_LANGUAGE
    return Markup('<span lang="en">%s</span>') % escape(text) if marked else escape(text)


def in_english() -> Markup:
    """The attribute of an element all of whose text is the catalogue's."""
    return Markup("" if reader().locale.language == SOURCE_LANGUAGE else ' lang="en"')


def name_of_part(slug: str) -> Markup:
    """A component's name."""
    return of_catalogue(part_name(slug))


def register_own_words(app: Flask) -> None:
    """Offer them to templates."""
    app.add_template_filter(own_words)
    app.add_template_filter(of_catalogue)
    app.add_template_filter(label)
    app.add_template_filter(name_of_part, "part_name")
    app.add_template_global(in_english)
