"""Which parts a piece of card text names, and at which places."""

from __future__ import annotations

import re

from service.imports import card_phrases as said
from service.imports.words import CatalogueWords, ComponentWord, fold, match_position

LONGEST = 4  # words in a part's name
_WORD = re.compile(r"[\w'/&+\-]+")
# Words of the catalogue that on a card are rather English than a part.
_NOT_ALONE = frozenset({"head", "new", "main", "frame", "box", "set", "front", "rear", "plug", "on", "was"})


def find_parts(piece: str, words: CatalogueWords) -> list[str]:
    """The part names in a piece of text, the longest first at every place; ambiguous ones too."""
    tokens = [match[0] for match in _WORD.finditer(said.REMOVE_REFIT.sub(" ", piece))]
    found: list[str] = []
    start = 0
    while start < len(tokens):
        length = _longest_name(tokens, start, words)
        if length:
            found.append(" ".join(tokens[start : start + length]))
        start += length or 1
    return found


def _longest_name(tokens: list[str], start: int, words: CatalogueWords) -> int:
    for length in range(min(LONGEST, len(tokens) - start), 0, -1):
        name = " ".join(tokens[start : start + length])
        key = fold(name)
        if length == 1 and key in _NOT_ALONE:
            continue
        if key in words.own or key in words.confirmed or key in words.synonyms:
            return length
    return 0


def places_in(piece: str, component: ComponentWord, drives_on: str | None, named: str | None) -> tuple[str, ...]:
    """Where the part can be: what the piece says of it, against the places there are. Empty for a part with one."""
    if named is not None:
        return (named,)
    if component.position_rule == "single":
        return ()
    number = said.NUMBER.search(piece)
    if component.position_rule != "fixed":
        return (number[1],) if number else ()
    wanted = [set(places) for pattern, places in said.PLACES if pattern.search(piece)]
    wanted += [{side} for side in _side(piece, drives_on)]
    if not wanted:
        return component.positions
    fitting = [p for p in component.positions if all(_fits(p, choice) for choice in wanted)]
    exact = [p for p in fitting if any(match_position(component, word).position == p for w in wanted for word in w)]
    return tuple(exact if exact and len(wanted) == 1 and len(wanted[0]) == 1 else fitting) or component.positions


def _fits(position: str, choice: set[str]) -> bool:
    return bool(set(position.split("_")) & choice)


def _side(piece: str, drives_on: str | None) -> tuple[str, ...]:
    """Near side is the kerb's: left where one drives on the left; without the country it says nothing."""
    if drives_on is None:
        return ()
    other = "right" if drives_on == "left" else "left"
    if said.NEAR_SIDE.search(piece):
        return (drives_on,)
    return (other,) if said.OFF_SIDE.search(piece) else ()
