"""Texts in the reader's language: English is in the code, others in `translations/<language>.po`."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.support import LazyProxy, NullTranslations, Translations
from flask import Flask, g, has_request_context

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


def current_locale() -> Locale:
    """The locale of whoever asks; `service.web.current` sets it."""
    name = g.get("locale_name", "en_GB") if has_request_context() else "en_GB"
    return locale_of(name)


def _(text: str, **values: Any) -> str:
    """A text in the reader's language, with named values put in."""
    said = translations(current_locale().language).gettext(text)
    return said % values if values else said


def ngettext(one: str, many: str, n: int, **values: Any) -> str:
    """The form of a text that fits a count, which is put in as `n`."""
    return translations(current_locale().language).ngettext(one, many, n) % {"n": n, **values}


def lazy(text: str) -> Any:
    """A text that is translated when it is shown: for labels made at import."""
    return LazyProxy(_, text, enable_cache=False)


def register_texts(app: Flask) -> None:
    """Give templates `_`, `ngettext` and trans blocks."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        lambda text: translations(current_locale().language).gettext(text),
        # Some counts are sums of shares; they are shown as whole numbers, and the form goes by what is shown.
        lambda one, many, n: translations(current_locale().language).ngettext(one, many, round(n)),
        newstyle=True,
    )
