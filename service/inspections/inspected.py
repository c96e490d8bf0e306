"""The parts of the machine before an inspection: each with its chance of being bad now, by component and position."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from analytics.diagnosis import sticking_chance, with_idle_damage
from service.catalogue_types import Catalogue
from service.errors import InvalidInput
from service.inspections.implied import Implied, implied_by
from service.inspections.marks_open import marks_of
from service.inspections.part_marks import Marked, Marks
from service.inspections.ranking import Ranking
from service.inspections.serving import Snapshot
from service.layout_files import LAYOUT_SCHEMA, Layout, positions_for

# Parts that gum up when left standing: the chance of it per lay-up is planted and invented (brief, 2.5 and 7.4).
STICKS = frozenset({"injector", "carburettor"})


@dataclass(frozen=True)
class InspectedPart:
    """A part before any evidence: chance bad now with its interval, and what is known of its age."""

    component: str
    position: str | None
    value: float
    low: float
    high: float
    level: float
    known_bad: bool
    age_known: bool
    idle_damage: float = 0.0  # chance that standing left it stuck
    marks: Marks = field(default_factory=dict)  # what the number on it may be, where that is open

    @property
    def chance_bad(self) -> float:
        """Chance bad now, wear and standing together."""
        return with_idle_damage(self.value, self.idle_damage)

    def to_dict(self) -> dict[str, Any]:
        """As an inspection keeps it."""
        return {
            "component": self.component,
            "position": self.position,
            "chance_bad_now": {"value": self.value, "low": self.low, "high": self.high, "level": self.level},
            "known_bad": self.known_bad,
            "age_known": self.age_known,
            "marks": {mark: found.to_dict() for mark, found in self.marks.items()},
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> InspectedPart:
        """From what an inspection kept."""
        chance = kept["chance_bad_now"]
        return cls(
            kept["component"],
            kept["position"],
            chance["value"],
            chance["low"],
            chance["high"],
            chance["level"],
            kept["known_bad"],
            kept["age_known"],
            marks={mark: Marked.from_dict(found) for mark, found in kept.get("marks", {}).items()},
        )


def parts_of(ranking: Ranking, marks: Mapping[tuple[str, str | None], Marks]) -> list[InspectedPart]:
    """The parts of a ranking, with what their numbers may say."""
    return [
        InspectedPart(
            part.component,
            part.position,
            part.chance_bad_now.value,
            part.chance_bad_now.low,
            part.chance_bad_now.high,
            part.chance_bad_now.level,
            part.known_bad,
            part.state.part_km is not None,
            marks=marks.get((part.component, part.position), {}),
        )
        for part in ranking.parts
    ]


@dataclass(frozen=True)
class Places:
    """Which parts a machine has, and at which positions; `layout` is None for a model the catalogue does not know."""

    parts: tuple[InspectedPart, ...]
    catalogue: Catalogue
    layout: Layout | None
    implied: Implied = field(default_factory=Implied)  # what the machine's own lines say of its history

    def components(self) -> set[str]:
        """Slugs of the components on the machine."""
        return {part.component for part in self.parts}

    def positions(self, component: str) -> tuple[str, ...] | None:
        """Positions of a component; () where there is one place, None where any name may be right."""
        used = [p.position for p in self.parts if p.component == component and p.position is not None]
        entry = self.catalogue.component_by_slug[component]
        known = positions_for(entry, self.layout)
        if not used and not known and self.layout is None and entry.position_rule not in ("single", "fixed"):
            return None
        return tuple(dict.fromkeys([*used, *known]))

    def marks(self, component: str) -> Marks:
        """What the number on a component may be, any position of it; empty where the records leave nothing open."""
        return next((part.marks for part in self.parts if part.component == component and part.marks), {})

    def check(self, component: str, position: str | None, pointer: str) -> None:
        """Refuse a component or a position the machine lacks.

        Raises
        ------
        InvalidInput
            Naming the positions there are.
        """
        if component not in self.catalogue.component_by_slug:
            raise InvalidInput(
                f"{component!r} is not a component of the catalogue; GET /api/v1/components lists them",
                pointer=f"{pointer}/component",
            )
        if component not in self.components():
            raise InvalidInput(f"this machine has no {component}", pointer=f"{pointer}/component")
        if position is None:
            return
        known = self.positions(component)
        if known is not None and position not in known:
            there = f"its positions are {', '.join(known)}" if known else "it has one place only; leave position out"
            raise InvalidInput(f"{component} has no position {position!r} here: {there}", pointer=f"{pointer}/position")

    def split(self, named: Mapping[str, Collection[str]], idle_months: float | None) -> list[InspectedPart]:
        """The parts, told apart by position where evidence names one or standing struck each by itself.

        A part of a component whose positions the records do not tell apart stands for any one of them, so each
        position has its chance.
        """
        found: list[InspectedPart] = []
        for component in dict.fromkeys(part.component for part in self.parts):
            mine = [part for part in self.parts if part.component == component]
            stuck = sticking_chance(idle_months) if idle_months and component in STICKS else 0.0
            wanted = list(dict.fromkeys(named.get(component, ())))
            found += [replace(p, idle_damage=stuck) for p in self._placed(component, mine, wanted, bool(stuck))]
        return found

    def _placed(
        self, component: str, mine: Sequence[InspectedPart], wanted: Sequence[str], idle: bool
    ) -> Iterable[InspectedPart]:
        here = {part.position for part in mine}
        if here != {None}:
            return [*mine, *(replace(mine[0], position=name) for name in wanted if name not in here)]
        places = self.positions(component) or ()
        if places and (wanted or idle):
            return [replace(mine[0], position=name) for name in places]
        # The engine is not known: what was named is told apart, the rest stays one.
        return [*(replace(mine[0], position=name) for name in wanted), *mine]


def places_of(ranking: Ranking, snapshot: Snapshot) -> Places:
    """Where the parts of a ranked machine sit."""
    parts = parts_of(ranking, marks_of(ranking, snapshot))
    layout = layout_of(snapshot.layout(ranking.machine.cell))
    return Places(tuple(parts), snapshot.catalogue, layout, implied_by(ranking.machine, snapshot.catalogue))


def layout_of(document: Mapping[str, Any]) -> Layout | None:
    """A stored layout; None for a model the catalogue does not know."""
    loaded: Layout | None = LAYOUT_SCHEMA.load(document) if document else None
    return loaded
