"""From the shop's words to catalogue components and positions: exact words only, everything else is asked.

A slug or a component's own name is understood as it is; a synonym only if it stands for one component and for
nothing outside the catalogue. Case, blanks and punctuation do not count. A word that is not understood, or
understood in two ways, becomes a doubt that carries the candidates; nearness of spelling never decides.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from rapidfuzz import process
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.models import CatalogueEntry, ComponentPosition, ComponentType

SHOWN_CANDIDATES = 3
POSITION_LENGTH = 40
# A file with more different unknown words than this is not a file of part names: no more candidates are looked for.
WORDS_WITH_CANDIDATES = 2_000
_SEPARATORS = re.compile(r"[\W_]+")
# Common practice, no source. N/S and O/S are left out: which side they mean depends on the country.
_SIDES = {"lh": "left", "rh": "right", "lhs": "left", "rhs": "right"}


@dataclass(frozen=True)
class ComponentWord:
    """A component as far as words go: `positions` is empty where any short label is a position."""

    id: int
    slug: str
    name: str
    position_rule: str  # single, fixed, or one of the per_... rules
    positions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Synonym:
    """A word of the trade and every component it stands for; `elsewhere` where it can also mean something else."""

    text: str
    components: tuple[str, ...]
    position: str | None = None
    elsewhere: tuple[str, ...] = ()


@dataclass(frozen=True)
class ComponentMatch:
    """What a component word was taken for; `component` is None where that is not certain."""

    component: ComponentWord | None
    mapped_by: str | None = None
    position: str | None = None
    kind: str | None = None
    detail: str = ""


@dataclass(frozen=True)
class PositionMatch:
    """What a position word was taken for; `kind` is set where it is not certain."""

    position: str | None
    kind: str | None = None
    detail: str = ""


@dataclass(frozen=True)
class CatalogueWords:
    """Every word the catalogue knows for a part."""

    components: Mapping[str, ComponentWord]
    own: Mapping[str, str]
    synonyms: Mapping[str, tuple[Synonym, ...]]
    _matched: dict[str, ComponentMatch] = field(default_factory=dict, repr=False)

    @classmethod
    def build(cls, components: Iterable[ComponentWord], synonyms: Iterable[Synonym]) -> CatalogueWords:
        by_slug = {component.slug: component for component in components}
        own = {fold(component.name): component.slug for component in by_slug.values()}
        own |= {fold(slug): slug for slug in by_slug}
        folded: dict[str, tuple[Synonym, ...]] = defaultdict(tuple)
        for synonym in synonyms:
            folded[fold(synonym.text)] += (synonym,)
        return cls(by_slug, own, dict(folded))

    def component(self, text: str) -> ComponentMatch:
        """What `text` was taken for."""
        if text not in self._matched:
            self._matched[text] = self._component(text)
        return self._matched[text]

    def _component(self, text: str) -> ComponentMatch:
        key = fold(text)
        if key in self.own:
            return ComponentMatch(self.components[self.own[key]], "catalogue")
        found = self.synonyms.get(key, ()) if key else ()
        if not found:
            return ComponentMatch(None, kind="unknown_word", detail=self._unknown(key))
        slugs = sorted({slug for synonym in found for slug in synonym.components})
        elsewhere = sorted({meaning for synonym in found for meaning in synonym.elsewhere})
        if len(slugs) > 1 or elsewhere:
            meanings = ", ".join([*slugs, *elsewhere])
            detail = f"the word can mean {meanings}; the catalogue slug of the part that was meant settles it"
            return ComponentMatch(None, kind="ambiguous_word", detail=detail)
        positions = {synonym.position for synonym in found}
        position = positions.pop() if len(positions) == 1 else None
        return ComponentMatch(self.components[slugs[0]], "synonym", position)

    def _unknown(self, key: str) -> str:
        slugs: list[str] = []
        if key and len(self._matched) < WORDS_WITH_CANDIDATES:
            near = process.extract(key, self._known.keys(), limit=10, score_cutoff=60)
            slugs = list(dict.fromkeys(self._known[word] for word, _score, _ in near))[:SHOWN_CANDIDATES]
        asked = f"; nearest: {', '.join(slugs)}" if slugs else ""
        return f"no part in the catalogue is called so{asked}; the catalogue slug of the part settles it"

    @cached_property
    def _known(self) -> dict[str, str]:
        return {**{word: synonyms[0].components[0] for word, synonyms in self.synonyms.items()}, **self.own}


def fold(text: str) -> str:
    """A word without case, blanks and punctuation."""
    return _SEPARATORS.sub("", text.casefold())


def match_position(component: ComponentWord, text: str) -> PositionMatch:
    """What a position word was taken for on this component; an empty word is a position nobody wrote."""
    if not text:
        return PositionMatch(None)
    if component.position_rule not in ("single", "fixed"):
        label = _SEPARATORS.sub("_", text.casefold()).strip("_")
        if not label or len(label) > POSITION_LENGTH:  # folding can lengthen a text: ß becomes ss
            return PositionMatch(None, "position_unclear", "not a short label; one such as 1, 2 or front settles it")
        return PositionMatch(label)
    wanted = _tokens(text)
    for position in component.positions:
        if _tokens(position) == wanted:
            return PositionMatch(position)
    if component.position_rule == "single":
        detail = f"{component.slug} has no positions; an empty position, or the part that was meant, settles it"
    else:
        detail = f"{component.slug} sits at {', '.join(component.positions)}; one of these settles it"
    return PositionMatch(None, "position_unclear", detail)


def _tokens(text: str) -> frozenset[str]:
    words = _SEPARATORS.split(text.casefold())
    return frozenset(_SIDES.get(word, word) for word in words if word)


def catalogue_words(session: Session) -> CatalogueWords:
    """The words of the catalogue in force."""
    places: dict[int, list[str]] = defaultdict(list)
    position_rows = select(ComponentPosition.component_id, ComponentPosition.position).where(
        ComponentPosition.withdrawn_at.is_(None)
    )
    for component_id, position in session.execute(position_rows.order_by(ComponentPosition.id)):
        places[component_id].append(position)
    types = session.execute(
        select(ComponentType.id, ComponentType.slug, ComponentType.name, ComponentType.document).where(
            ComponentType.withdrawn_at.is_(None)
        )
    )
    components = [
        ComponentWord(key, slug, name, document["position_rule"], tuple(places[key]))
        for key, slug, name, document in types
    ]
    documents = session.scalars(
        select(CatalogueEntry.document).where(CatalogueEntry.kind == "synonym", CatalogueEntry.withdrawn_at.is_(None))
    )
    return CatalogueWords.build(components, [_synonym(document) for document in documents])


def _synonym(document: Mapping[str, Any]) -> Synonym:
    return Synonym(
        document["text"],
        (document["component"], *document["ambiguous_with"]),
        document["position"],
        tuple(document["other_meanings"]),
    )
