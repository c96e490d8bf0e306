"""What an ambiguous word can mean, with a weight for each meaning from the rest of the card.

The factors are invented; they are set so that no single hint decides: a word is taken for one meaning only where
hints agree and leave the others far behind. Everything else is asked.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.imports.words import CatalogueWords, ComponentMatch, fold, match_position

DECIDES = 0.9
# Invented: a part of the same system on the same card; a part the machine is known to have; a position word that
# fits, or does not; and how fast a price away from the shop's usual one speaks against a part.
SAME_SYSTEM = 4.0
MOST_NEIGHBOURS = 2
ON_RECORD = 30.0
POSITION_FITS = 3.0
POSITION_MISFITS = 0.1
PRICE_SPREAD = 0.5


@dataclass(frozen=True)
class Context:
    """What else the card says: parts of its other lines, the position word, the price and the shop's usual prices."""

    neighbours: tuple[str, ...] = ()
    position: str = ""
    price: float | None = None
    usual_prices: Mapping[str, float] = field(default_factory=dict)
    on_record: frozenset[str] = frozenset()  # parts this machine's earlier lines name


@dataclass(frozen=True)
class Candidate:
    """One meaning: a component, or something outside the catalogue (`slug` None)."""

    slug: str | None
    meaning: str
    weight: float


def candidates(words: CatalogueWords, text: str, context: Context | None = None) -> list[Candidate]:
    """Every meaning of a word, the likeliest first; weights sum to 1. Empty for a word nobody knows."""
    key = fold(text)
    said = words.confirmed.get(key)
    if said:
        weights = {meaning.component: float(meaning.times) for meaning in said}
        outside: set[str] = set()
    else:
        synonyms = words.synonyms.get(key, ())
        weights = {slug: 1.0 for synonym in synonyms for slug in synonym.components}
        outside = {meaning for synonym in synonyms for meaning in synonym.elsewhere}
    context = context or Context()
    meanings: list[tuple[str | None, str, float]] = [
        (slug, slug, weight * _factor(words, slug, context)) for slug, weight in weights.items()
    ]
    meanings += [(None, meaning, 1.0) for meaning in sorted(outside)]
    total = sum(weight for _, _, weight in meanings)
    found = [Candidate(slug, meaning, round(weight / total, 4)) for slug, meaning, weight in meanings]
    return sorted(found, key=lambda candidate: -candidate.weight)


def decide(words: CatalogueWords, text: str, context: Context) -> ComponentMatch | None:
    """The one meaning the context leaves far ahead of the others; None where it does not."""
    found = candidates(words, text, context)
    if len(found) < 2 or found[0].slug is None or found[0].weight < DECIDES:
        return None
    return ComponentMatch(words.components[found[0].slug], "context", confidence=found[0].weight)


def _factor(words: CatalogueWords, slug: str, context: Context) -> float:
    component = words.components[slug]
    systems = [words.components[other].system for other in set(context.neighbours) - {slug}]
    factor = SAME_SYSTEM ** min(MOST_NEIGHBOURS, systems.count(component.system))
    if slug in context.on_record:
        factor *= ON_RECORD
    if context.position:
        fits = match_position(component, context.position).kind is None
        factor *= POSITION_FITS if fits else POSITION_MISFITS
    usual = context.usual_prices.get(slug)
    if context.price and usual:
        factor *= math.exp(-((math.log(context.price / usual) / PRICE_SPREAD) ** 2) / 2)
    return factor
