"""On a page in another language, what is English says so: whoever has it read aloud hears it in the right voice."""

from __future__ import annotations

import ast
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from marshmallow import fields

from service.app import WeakspotApp
from service.web.known_sentences import KNOWN
from tests.web.filled import World
from tests.web.test_every_page import PAPER, shown

# Words that are English and not German.
ENGLISH = re.compile(r"\b(the|of|and|is|are|with|from|this|that|to|be|has|have|it|which|there|by|or)\b")
ROOT = Path(__file__).parents[2]
FIELDS = (fields.Field, fields.Number, fields.Integer, fields.Date)
VOID = {"meta", "link", "input", "br", "hr", "img", "rect", "line", "polyline", "source", "wbr"}


class Spoken(HTMLParser):
    """The texts of a page, each with the language it is in."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[tuple[str, str]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        language = found.get("lang") or (self.open[-1][1] if self.open else "")
        for name in ("title", "aria-label", "placeholder", "alt"):
            self.texts.append((language, found.get(name) or ""))
        if tag not in VOID:
            self.open.append((tag, language))

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        # A window's title cannot say in which language parts of it are.
        if self.open and self.open[-1][0] not in ("script", "style", "title"):
            self.texts.append((self.open[-1][1], " ".join(data.split())))


@pytest.fixture
def world(app: WeakspotApp) -> World:
    """A shop that reads German and miles."""
    found = World(app)
    form = {"unit": "mi", "hourly_rate": "60", "currency": "EUR", "locale": "de_DE"}
    assert found.owner.post("/shop/settings", form, shown_at="/shop").status_code == 303
    return found


def test_english_says_so_and_no_distance_is_in_km_for_those_who_read_german_and_miles(world: World) -> None:
    """What was written in km is shown so beside; the catalogue's own texts are as they are."""
    wrong: dict[str, list[str]] = {}
    for endpoint, path, answer in shown(world):
        if answer.mimetype != "text/html" or endpoint in PAPER:
            continue
        texts = [text for lang, text in Spoken(answer.get_data(as_text=True)).texts if lang != "en"]
        found = [text for text in texts if ENGLISH.search(text) or re.search(r"\d\s*km\b(?!\))", text)]
        if found:
            wrong[path] = found
    assert wrong == {}


def constants() -> set[str]:
    """Every text that stands whole in the code of the analytics and the service, its pages left out."""
    code = [*ROOT.glob("analytics/**/*.py"), *ROOT.glob("service/**/*.py")]
    trees = [ast.parse(path.read_text()) for path in code if "web" not in path.relative_to(ROOT).parts]
    trees += [ast.parse(path.read_text()) for path in ROOT.glob("service/web/*.py") if path.stem != "known_sentences"]
    nodes = (node for tree in trees for node in ast.walk(tree))
    return {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_known_sentences_are_said_somewhere() -> None:
    """By the code, or by marshmallow of what it loads."""
    said = {text.replace("_", " ") if text.startswith("pool_") else text for text in constants()}
    said |= {message for field in FIELDS for message in field.default_error_messages.values()}
    assert [text for text in map(str, KNOWN) if text not in said] == []
