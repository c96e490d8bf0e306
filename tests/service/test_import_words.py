"""Words for parts: exact ones are understood, everything else is asked about with its candidates."""

from __future__ import annotations

import pytest

from service.db import Database
from service.imports.words import CatalogueWords, ComponentWord, Synonym, catalogue_words, match_position

SEAL = ComponentWord(1, "fork_seal", "Fork seal", "fixed", ("left", "right"))
PAD = ComponentWord(2, "brake_pad", "Brake pads", "fixed", ("front_left", "front_right", "rear"))
COIL = ComponentWord(3, "ignition_coil", "Ignition coil", "per_cylinder")
BATTERY = ComponentWord(4, "battery", "Battery", "single")
WORDS = CatalogueWords.build(
    [SEAL, PAD, COIL, BATTERY],
    [
        Synonym("leg seals", ("fork_seal",)),
        Synonym("stick coil", ("ignition_coil",)),
        Synonym("coil", ("ignition_coil", "stator")),
        Synonym("BAT", ("battery",), elsewhere=("the sports club",)),
        Synonym("rear pads", ("brake_pad",), "rear"),
    ],
)


@pytest.mark.parametrize(
    ("text", "slug", "mapped_by"),
    [
        ("fork_seal", "fork_seal", "catalogue"),
        ("Fork-Seal", "fork_seal", "catalogue"),
        ("BRAKE PADS", "brake_pad", "catalogue"),
        ("leg  seals!", "fork_seal", "synonym"),
    ],
)
def test_understood(text: str, slug: str, mapped_by: str) -> None:
    match = WORDS.component(text)
    assert match.component is not None
    assert (match.component.slug, match.mapped_by, match.kind) == (slug, mapped_by, None)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("coil", "ambiguous_word", "ignition_coil, stator"),
        ("bat", "ambiguous_word", "the sports club"),
        ("fork seel", "unknown_word", "nearest: fork_seal"),
        ("???", "unknown_word", "no part in the catalogue"),
    ],
)
def test_asked_about(text: str, kind: str, said: str) -> None:
    match = WORDS.component(text)
    assert (match.component, match.kind) == (None, kind)
    assert said in match.detail


def test_a_word_can_bring_its_position() -> None:
    assert WORDS.component("rear pads").position == "rear"


@pytest.mark.parametrize(
    ("component", "text", "position", "kind"),
    [
        (SEAL, "", None, None),
        (SEAL, "LH", "left", None),
        (SEAL, "N/S", None, "position_unclear"),  # near side: left only where one drives on the left
        (PAD, "Left Front", "front_left", None),
        (PAD, "front", None, "position_unclear"),
        (COIL, "Cyl. 2", "2", None),
        (COIL, "ß" * 40, None, "position_unclear"),
        (COIL, "?", None, "position_unclear"),
        (BATTERY, "left", None, "position_unclear"),
    ],
)
def test_positions(component: ComponentWord, text: str, position: str | None, kind: str | None) -> None:
    match = match_position(component, text)
    assert (match.position, match.kind) == (position, kind)


def test_the_catalogue_in_force(database: Database) -> None:
    with database.read() as session:
        words = catalogue_words(session)
    for slug in words.components:
        match = words.component(slug)
        assert match.component is not None
        assert match.component.slug == slug
    assert words.component("reg/rec").mapped_by == "synonym"
    assert words.component("RR").kind == "ambiguous_word"
    assert words.components["fork_seal"].positions == ("left", "right")
