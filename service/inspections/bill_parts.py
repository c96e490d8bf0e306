"""The parts a bill is made of: what is believed of each, what comes off for it, what to have at hand for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.outcomes import Verdict
from analytics.pricing_types import Consequence, Part
from service.catalogue_types import Catalogue
from service.check_types import Consumable
from service.errors import InvalidInput
from service.inspections.check_options import full_check
from service.inspections.evidence import Weighed
from service.inspections.ranking import Ranking

CERTAIN_FROM = 0.8  # chance after a failed check from which a part is certain to be due (own choice)
LEAST_MOVE = 1e-9


@dataclass(frozen=True)
class PartBelief:
    """A part of the machine with its chances.

    `found_bad`: a check of this very part failed, or it is a fact. `seen`: something was found on this machine that
    speaks for or against the part; without it the chances rest on age and distance alone.
    """

    component: str
    position: str | None
    chance_bad_now: float
    chance_in_season: float
    found_bad: bool = False
    seen: bool = False

    @property
    def part(self) -> Part:
        return self.component, self.position


def beliefs_after(weighed: Weighed, ranking: Ranking, catalogue: Catalogue) -> list[PartBelief]:
    """Every part of the machine with its chances: now after all that was found, ahead as the records give it."""
    ahead: dict[Part, float] = {}
    for ranked in ranking.parts:
        ahead[ranked.component, ranked.position] = ranked.chance_in_horizon.value
        ahead.setdefault((ranked.component, None), ranked.chance_in_horizon.value)
    before = {(part.component, part.position): part for part in weighed.parts}
    failed = failed_parts(weighed, catalogue)
    found = []
    for part in weighed.diagnosis.parts:
        name = (part.component, part.position)
        season = ahead.get(name, ahead.get((part.component, None), 0.0))
        seen = abs(part.posterior - before[name].value) > LEAST_MOVE
        bad = before[name].known_bad or name in failed
        found.append(PartBelief(*name, part.posterior, season, bad, seen or bad))
    return found


def failed_parts(weighed: Weighed, catalogue: Catalogue) -> set[Part]:
    """Parts that a check of their own failed and that are now nearly sure to be bad: facts for a bill.

    A check on a set names no part of it. Where the position was not noted, the likeliest one is meant.
    """
    latest = {(f.check, f.component, f.position, f.engine_state): f for f in weighed.observed.findings}
    likeliest = sorted(weighed.diagnosis.parts, key=lambda part: -part.posterior)
    found: set[Part] = set()
    for finding in latest.values():
        if finding.outcome is not Verdict.FAIL or (
            finding.component is None and full_check(finding.check, catalogue).set_level
        ):
            continue
        slugs = {t.component for t in catalogue.check_by_id[finding.check].targets}
        for slug in slugs & {finding.component} if finding.component else slugs:
            here = [p for p in likeliest if p.component == slug and finding.position in (None, p.position)]
            if here and here[0].posterior >= CERTAIN_FROM:
                found.add((slug, here[0].position))
    return found


def access_of(group: str, position: str | None, catalogue: Catalogue) -> str:
    """The access group of a part: where the catalogue says "one of these", the one on the position's end."""
    choices = catalogue.access_group_by_code[group].one_of
    if not choices or position is None:
        return group
    end = {"front": "F", "rear": "R"}.get(position.split("_")[0])
    return next((choice for choice in choices if end and choice.startswith(end)), group)


def consumables_of(component: str, position: str | None, catalogue: Catalogue) -> list[Consumable]:
    """What to have at hand for a job: what goes with the part and what goes with getting at it."""
    group = access_of(catalogue.component_by_slug[component].access_group, position, catalogue)
    return [e for e in catalogue.consumables if e.component == component or e.access_group == group]


def consequences_of(beliefs: Sequence[PartBelief], catalogue: Catalogue) -> list[Consequence]:
    """What takes what along on this machine: parts at the same place, or where one of the two has but one place."""
    places: dict[str, list[str | None]] = {}
    for belief in beliefs:
        places.setdefault(belief.component, []).append(belief.position)
    return [
        Consequence((entry.first, first), (entry.takes, taken), entry.chance)
        for entry in catalogue.consequences
        for first in places.get(entry.first, ())
        for taken in _hit(first, places.get(entry.takes, []))
    ]


def _hit(first: str | None, places: Sequence[str | None]) -> Iterable[str | None]:
    if first in places:
        return [first]
    if len(places) == 1:
        return places
    return [place for place in places if first and place and place.endswith(f"_{first}") and "front" in place]


def with_chances(
    beliefs: Sequence[PartBelief], chances: Sequence[Mapping[str, Any]], catalogue: Catalogue
) -> list[PartBelief]:
    """Beliefs with chances that somebody brought; parts are named as `BelievedPart` has it."""
    beliefs = list(beliefs)
    for number, item in enumerate(chances):
        index, part = _find(beliefs, item, catalogue, f"/chances/{number}")
        beliefs[index] = replace(part, chance_bad_now=item["chance_bad"], seen=True)
    return beliefs


def with_found(
    beliefs: Sequence[PartBelief], found: Sequence[Mapping[str, Any]], catalogue: Catalogue
) -> list[PartBelief]:
    """Beliefs with parts found bad; they are named as `NamedPart` has it."""
    beliefs = list(beliefs)
    for number, item in enumerate(found):
        index, part = _find(beliefs, item, catalogue, f"/found_bad/{number}")
        beliefs[index] = replace(part, found_bad=True, seen=True)
    return beliefs


def _find(
    beliefs: Sequence[PartBelief], item: Mapping[str, Any], catalogue: Catalogue, pointer: str
) -> tuple[int, PartBelief]:
    """The part that is meant. Without a position it is the likeliest one not yet found bad, named without one."""
    slug, position = item["component"], item["position"]
    if slug not in catalogue.component_by_slug:
        raise InvalidInput(
            f"{slug!r} is not a component of the catalogue; GET /api/v1/components lists them",
            pointer=f"{pointer}/component",
        )
    here = [(index, b) for index, b in enumerate(beliefs) if b.component == slug]
    if not here:
        raise InvalidInput(f"this machine has no {slug}", pointer=f"{pointer}/component")
    named = [entry for entry in here if entry[1].position == position]
    if named:
        return named[0]
    if position is None:
        open_ = [entry for entry in here if not entry[1].found_bad] or here
        index, belief = max(open_, key=lambda entry: entry[1].chance_bad_now)
        return index, replace(belief, position=None)
    if [b.position for _, b in here] == [None] and position in catalogue.component_by_slug[slug].positions:
        return here[0][0], replace(here[0][1], position=position)
    places = ", ".join(str(b.position) for _, b in here if b.position) or "a single one"
    raise InvalidInput(f"{slug} has no position {position!r} here; it has {places}", pointer=f"{pointer}/position")
