"""From the shop's words to catalogue components and positions.

A slug or a component's own name is understood as it is; then what the shop itself confirmed; a synonym only if it
stands for one component and for nothing outside the catalogue, or if the rest of the card leaves one meaning far
ahead (`service.imports.candidates`); a misspelling only where it is close to one word and far from all others.
Case, blanks and punctuation do not count. Anything less certain becomes a doubt that carries the candidates.
"""

from __future__ import annotations

import re
import weakref
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from rapidfuzz import fuzz, process
from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from service.keyed import connection_of
from service.models import CatalogueEntry, CatalogueRelease, ComponentPosition, ComponentType, ShopWord
from service.past import reads_the_past, said_by
from service.prepared import Prepared

SHOWN_CANDIDATES = 3
EXACT = 1.0
# A misspelling is taken for a word from this likeness on, if the next part is so far behind (invented; short words
# are never close enough: CPS and CKP are two sensors).
FUZZY_SCORE = 90.0
FUZZY_LEAD = 10.0
FUZZY_LENGTH = 7
POSITION_LENGTH = 40
# A file with more different unknown words than this is not a file of part names: no more candidates are looked for.
WORDS_WITH_CANDIDATES = 2_000
_SEPARATORS = re.compile(r"[\W_]+")
_COUNTED = re.compile(r"^(?:cyl|cylinder|zyl|zylinder|no|nr)_?(?=\d)")  # "cyl 1" and "#1" are one place
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
    system: str = ""


@dataclass(frozen=True)
class Synonym:
    """A word of the trade and every component it stands for; `elsewhere` where it can also mean something else."""

    text: str
    components: tuple[str, ...]
    position: str | None = None
    elsewhere: tuple[str, ...] = ()


@dataclass(frozen=True)
class ShopMeaning:
    """What a shop said a word of its cards means, as often as it said so."""

    component: str
    position: str | None
    times: int


@dataclass(frozen=True)
class ComponentMatch:
    """What a component word was taken for; `component` is None where that is not certain."""

    component: ComponentWord | None
    mapped_by: str | None = None
    position: str | None = None
    kind: str | None = None
    detail: str = ""
    confidence: float | None = None


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
    confirmed: Mapping[str, tuple[ShopMeaning, ...]] = field(default_factory=dict)
    _matched: dict[str, ComponentMatch] = field(default_factory=dict, repr=False)

    @classmethod
    def build(
        cls,
        components: Iterable[ComponentWord],
        synonyms: Iterable[Synonym],
        confirmed: Mapping[str, tuple[ShopMeaning, ...]] | None = None,
    ) -> CatalogueWords:
        by_slug = {component.slug: component for component in components}
        own = {fold(component.name): component.slug for component in by_slug.values()}
        own |= {fold(slug): slug for slug in by_slug}
        folded: dict[str, tuple[Synonym, ...]] = defaultdict(tuple)
        for synonym in synonyms:
            folded[fold(synonym.text)] += (synonym,)
        known = {word: said for word, said in (confirmed or {}).items() if all(m.component in by_slug for m in said)}
        return cls(by_slug, own, dict(folded), known)

    def component(self, text: str) -> ComponentMatch:
        """What `text` was taken for."""
        if text not in self._matched:
            self._matched[text] = self._component(text)
        return self._matched[text]

    def _component(self, text: str) -> ComponentMatch:
        key = fold(text)
        if key in self.own:
            return ComponentMatch(self.components[self.own[key]], "catalogue", confidence=EXACT)
        if key in self.confirmed:
            return self._confirmed(self.confirmed[key])
        found = self.synonyms.get(key, ()) if key else ()
        if not found:
            return self._misspelt(key)
        slugs = sorted({slug for synonym in found for slug in synonym.components})
        elsewhere = sorted({meaning for synonym in found for meaning in synonym.elsewhere})
        if len(slugs) > 1 or elsewhere:
            meanings = ", ".join([*slugs, *elsewhere])
            detail = f"the word can mean {meanings}; the catalogue slug of the part that was meant settles it"
            return ComponentMatch(None, kind="ambiguous_word", detail=detail)
        positions = {synonym.position for synonym in found}
        position = positions.pop() if len(positions) == 1 else None
        return ComponentMatch(self.components[slugs[0]], "synonym", position, confidence=EXACT)

    def _confirmed(self, said: tuple[ShopMeaning, ...]) -> ComponentMatch:
        """The shop's own meaning; asked about again where the shop itself has meant two things."""
        slugs = sorted({meaning.component for meaning in said})
        if len(slugs) > 1:
            detail = f"the shop has used this word for {', '.join(slugs)}; the part that was meant here settles it"
            return ComponentMatch(None, kind="ambiguous_word", detail=detail)
        positions = {meaning.position for meaning in said}
        position = positions.pop() if len(positions) == 1 else None
        times = sum(meaning.times for meaning in said)
        # Chance that the next use means the same again, after nine imagined uses that did (invented).
        confidence = round((times + 9) / (times + 10), 4)
        return ComponentMatch(self.components[slugs[0]], "shop", position, confidence=confidence)

    def _misspelt(self, key: str) -> ComponentMatch:
        """The one part whose word is close, if all words of other parts are far; else asked about."""
        near = self._near(key)
        if near and len(key) >= FUZZY_LENGTH:
            slug, score = near[0]
            second = near[1][1] if len(near) > 1 else 0.0
            exact_word = self.synonyms.get(self._closest(key), ())
            certain = not any(s.elsewhere or len(s.components) > 1 for s in exact_word)
            if score >= FUZZY_SCORE and score - second >= FUZZY_LEAD and certain:
                return ComponentMatch(self.components[slug], "spelling", confidence=round(score / 100, 3))
        return ComponentMatch(None, kind="unknown_word", detail=self._unknown(key))

    def nearest(self, text: str) -> list[tuple[str, float]]:
        """Components whose words are spelt most like this one, with the likeness (0 to 1)."""
        return [(slug, round(score / 100, 3)) for slug, score in self._near(fold(text))[:SHOWN_CANDIDATES]]

    def _closest(self, key: str) -> str:
        best = process.extractOne(key, self._known.keys())
        return best[0] if best else ""

    def _near(self, key: str) -> list[tuple[str, float]]:
        """Components by the likeness (0 to 100) of their closest word, best first."""
        if not key or len(self._matched) >= WORDS_WITH_CANDIDATES:
            return []
        best: dict[str, float] = {}
        # The plain ratio: a weighted one gives a short word inside a long one full marks.
        for word, score, _ in process.extract(key, self._known.keys(), scorer=fuzz.ratio, limit=10, score_cutoff=60):
            best.setdefault(self._known[word], score)
        return list(best.items())

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
        label = _COUNTED.sub("", _SEPARATORS.sub("_", text.casefold()).strip("_"))
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


_release, _confirmed = CatalogueRelease.__table__, ShopWord.__table__
_VERSION = Prepared(
    select(
        _release.c.id,
        _release.c.sha256,
        select(func.count()).where(_confirmed.c.shop_id == bindparam("shop")).scalar_subquery(),
        select(func.max(_confirmed.c.confirmed_at)).where(_confirmed.c.shop_id == bindparam("shop")).scalar_subquery(),
    )
    .order_by(_release.c.id.desc())
    .limit(1)
)
SHOPS_IN_MEMORY = 64
# By database: two of them may number the same components differently.
_in_memory: weakref.WeakKeyDictionary[Any, dict[tuple[Any, ...], CatalogueWords]] = weakref.WeakKeyDictionary()


def catalogue_words(session: Session, shop_id: int | None = None) -> CatalogueWords:
    """The words of the catalogue in force, and of a shop what it confirmed itself.

    Kept in memory until a newer release is loaded or the shop confirms another word.
    """
    connection = connection_of(session)
    if reads_the_past(session) is not None:
        return _read_words(session, shop_id)
    versions = _VERSION.rows(connection, {"shop": shop_id or 0})
    if not versions:
        return _read_words(session, shop_id)
    kept = _in_memory.setdefault(connection.engine.pool, {})
    key = (shop_id, *versions[0])
    words = kept.get(key)
    if words is None:
        if len(kept) >= SHOPS_IN_MEMORY:
            kept.clear()
        words = kept[key] = _read_words(session, shop_id)
    # How many different words are unknown is counted for each file anew.
    return replace(words, _matched={})


def _read_words(session: Session, shop_id: int | None) -> CatalogueWords:
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
        ComponentWord(key, slug, name, document["position_rule"], tuple(places[key]), document["system"])
        for key, slug, name, document in types
    ]
    documents = session.scalars(
        select(CatalogueEntry.document).where(CatalogueEntry.kind == "synonym", CatalogueEntry.withdrawn_at.is_(None))
    )
    confirmed = _shop_words(session, shop_id) if shop_id is not None else {}
    return CatalogueWords.build(components, [_synonym(document) for document in documents], confirmed)


def _shop_words(session: Session, shop_id: int) -> dict[str, tuple[ShopMeaning, ...]]:
    """What the shop confirmed, by folded word."""
    found: dict[str, tuple[ShopMeaning, ...]] = defaultdict(tuple)
    rows = session.execute(
        select(ShopWord.folded, ComponentType.slug, ShopWord.position, func.count())
        .join(ComponentType, ShopWord.component_type_id == ComponentType.id)
        .where(ShopWord.shop_id == shop_id, *said_by(ShopWord.confirmed_at, reads_the_past(session)))
        .group_by(ShopWord.folded, ComponentType.slug, ShopWord.position)
        .order_by(ShopWord.folded, ComponentType.slug)
    )
    for folded, slug, position, times in rows:
        found[folded] += (ShopMeaning(slug, position, times),)
    return dict(found)


def _synonym(document: Mapping[str, Any]) -> Synonym:
    return Synonym(
        document["text"],
        (document["component"], *document["ambiguous_with"]),
        document["position"],
        tuple(document["other_meanings"]),
    )
