"""Texts of the pages: what is extracted is current, and every language has all of it with the same placeholders."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from babel.messages.catalog import Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

from service.web.texts import FOLDER, SOURCE_LANGUAGE, languages
from tests.web.browsers import Browsing
from tests.web.people import Visitor

SERVICE = Path(FOLDER).parents[1]
CATALOGUE = SERVICE.parent / "seed" / "catalogue"
METHODS = [("web/templates/**.html", "jinja2"), ("**.py", "python")]
OF_CATALOGUE = [("*.json", "service.web.catalogue_texts:extract")]
KEYWORDS = {"_": None, "lazy": None, "say": None, "ngettext": (1, 2)}
PLACEHOLDER = re.compile(r"%(?:\((\w+)\)\w|%)")
TRANSLATED = [language for language in languages() if language != SOURCE_LANGUAGE]


def texts() -> set[str | tuple[str, ...]]:
    """What the pages say, as Babel extracts it from code, templates and the catalogue."""
    found = [
        *extract_from_dir(SERVICE, method_map=METHODS, options_map={}, keywords=KEYWORDS),
        *extract_from_dir(CATALOGUE, method_map=OF_CATALOGUE, options_map={}, keywords=KEYWORDS),
    ]
    return {tuple(text) if isinstance(text, list) else text for _file, _line, text, _comments, _context in found}


def messages(path: Path, language: str | None = None) -> dict[str | tuple[str, ...], Message]:
    """The messages of a catalogue, the header left out."""
    with path.open("rb") as handle:
        catalogue = read_po(handle, locale=language)
    return {tuple(m.id) if isinstance(m.id, list) else m.id: m for m in catalogue if m.id}


def forms(text: str | tuple[str, ...]) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text)


def test_there_is_a_second_language() -> None:
    assert "de" in TRANSLATED


def test_what_is_extracted_is_what_the_pages_say() -> None:
    assert set(messages(FOLDER / "weakspot.pot")) == texts(), "run make messages"


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_text_is_translated(language: str) -> None:
    known = messages(FOLDER / f"{language}.po", language)
    assert [text for text in texts() if text not in known or not all(forms(known[text].string))] == []
    assert [text for text, message in known.items() if message.fuzzy] == []


@pytest.mark.parametrize("language", TRANSLATED)
def test_placeholders_agree(language: str) -> None:
    wrong = []
    for text, message in messages(FOLDER / f"{language}.po", language).items():
        wanted = {tuple(sorted(PLACEHOLDER.findall(form))) for form in forms(text)}
        if not all(tuple(sorted(PLACEHOLDER.findall(form))) in wanted for form in forms(message.string)):
            wrong.append(text)
    assert wrong == []


def test_named_placeholders_only() -> None:
    # Templates put values in even where there are none: a bare %s would come out as something else.
    bare = re.compile(r"%(?![(%])")
    said = [form for text in texts() for form in forms(text) if "%(" in form or "%%" in form or "%s" in form]
    assert [form for form in said if bare.search(form.replace("%%", ""))] == []


def test_language_is_chosen_and_kept(
    browse: Callable[..., Browsing], technician: Visitor, device: str, scripts: bool
) -> None:
    window = browse(device, scripts=scripts, visitor=technician)
    page = window.page
    window.go("/account")
    page.get_by_label("Pages in").select_option("de")
    page.get_by_role("button", name="Use it").click()
    page.wait_for_selector("html[lang=de]")
    assert page.inner_text("h1") == "Ihr Konto"
    window.assert_sound()
    window.go("/look-first?make=Tindrake&model=Lanner+650&odometer=38.000&unit=km&minutes=30")
    said = page.inner_text("main")
    assert (
        "38.000 km" in said and "Was anzusehen ist, in dieser Reihenfolge" in said and "Die Inspektion beginnen" in said
    )
    window.assert_sound()
    window.go("/account")
    page.get_by_label("Seiten auf").select_option("en")
    page.get_by_role("button", name="Verwenden").click()
    page.wait_for_selector("html[lang=en]")


def test_browsers_own_language_before_signing_in(stranger: Visitor) -> None:
    page = stranger.get("/sign-in", headers={"Accept-Language": "de-CH,de;q=0.9"}).get_data(as_text=True)
    assert '<html lang="de"' in page and "Anmelden" in page
