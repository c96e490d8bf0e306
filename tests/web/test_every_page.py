"""Every page with GET, found from the routes, over a small filled world: what each has to hold whatever it shows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from urllib.parse import urlsplit

import pytest

from service.app import WeakspotApp
from tests.web.browsers import Browsing
from tests.web.filled import addresses_of, fill
from tests.web.people import Visitor

MOST_BYTES = 150_000  # what a page may weigh on first view, without pictures
LOADS = {"script": "src", "link": "href", "img": "src", "iframe": "src", "source": "src", "form": "action"}
# Answers to GET that are no pages of their own: files, fragments, and ways to go on elsewhere.
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Page(HTMLParser):
    """What stands in a page: tags with their attributes, and the fields of each form."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.forms: list[dict[str, str]] = []
        self.fields: list[set[str]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.tags.append((tag, found))
        if tag == "form":
            self.forms.append(found)
            self.fields.append(set())
        elif tag in ("input", "button") and self.forms:
            self.fields[-1].add(found.get("name", ""))

    def of(self, tag: str) -> list[dict[str, str]]:
        return [found for name, found in self.tags if name == tag]
