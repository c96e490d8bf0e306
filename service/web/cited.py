"""What the texts of checks refer to by a code: other checks, and where a figure was read."""

from __future__ import annotations

import re

from flask import Flask
from markupsafe import Markup

from service.inspections.plan_texts import sources_named, title_of
from service.web.names import catalogue_now
from service.web.own_words import of_catalogue

CHECK = re.compile(r"\bT\d\d\b")


def with_titles(text: str) -> Markup:
    """A text of the catalogue; a check that it names by its code has its title behind it."""
    known = {check.id for check in catalogue_now().checks}

    def titled(found: re.Match[str]) -> str:
        code = found[0]
        return f"{code} ({title_of(code, catalogue_now())})" if code in known else code

    return of_catalogue(CHECK.sub(titled, text))


def register_cited(app: Flask) -> None:
    """Offer them to templates."""
    app.add_template_filter(with_titles)
    app.add_template_global(lambda line: sources_named(line, catalogue_now()), "sources_named")
