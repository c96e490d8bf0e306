"""Texts in the reader's language: English is in the code, others in `translations/<language>.po`."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, cast

from babel import Locale, UnknownLocaleError
from babel.support import LazyProxy, NullTranslations, Translations
from flask import Flask, g

FOLDER = Path(__file__).with_name("translations")
SOURCE_LANGUAGE = "en"


@cache
def languages() -> tuple[str, ...]:
    """Languages there are texts for."""
    return (SOURCE_LANGUAGE, *sorted(path.stem for path in FOLDER.glob("*.po")))


@cache
def translations(language: str) -> NullTranslations:
    """The texts of one language; those not translated stay English."""
    path = FOLDER / f"{language}.po"
    if not path.exists():
        return NullTranslations()
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    compiled = io.BytesIO()
    with path.open("rb") as handle:
        write_mo(compiled, read_po(handle))
    compiled.seek(0)
    return Translations(compiled)


@cache
def locale_of(name: str) -> Locale:
    """Babel's locale of a name such as en_GB; British English where there is none such."""
    try:
        return Locale.parse(name)
    except (UnknownLocaleError, ValueError):
        return Locale.parse("en_GB")


@dataclass(frozen=True)
class Reader:
    """How whoever asks reads: the name of their locale, the locale, and the texts in its language."""

    name: str
    locale: Locale
    texts: NullTranslations


@cache
def reader_of(name: str) -> Reader:
    """How somebody with a locale reads."""
    locale = locale_of(name)
    return Reader(name, locale, translations(locale.language))


def reader() -> Reader:
    """How whoever asks reads; `service.web.current` sets it. British English outside a request."""
    try:
        return cast(Reader, g.reader)
    except (AttributeError, RuntimeError):
        return reader_of("en_GB")


def current_locale() -> Locale:
    """The locale of whoever asks."""
    return reader().locale


def _(text: str, **values: Any) -> str:
    """A text in the reader's language, with named values put in."""
    said = reader().texts.gettext(text)
    return said % values if values else said


def ngettext(one: str, many: str, n: int, **values: Any) -> str:
    """The form of a text that fits a count, which is put in as `n`."""
    return reader().texts.ngettext(one, many, n) % {"n": n, **values}


def lazy(text: str) -> Any:
    """A text that is translated when it is shown: for labels made at import."""
    return LazyProxy(_, text, enable_cache=False)


def register_texts(app: Flask) -> None:
    """Give templates `_`, `ngettext` and trans blocks."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        lambda text: reader().texts.gettext(text),
        # Some counts are sums of shares; they are shown as whole numbers, and the form goes by what is shown.
        lambda one, many, n: reader().texts.ngettext(one, many, round(n)),
        newstyle=True,
    )
