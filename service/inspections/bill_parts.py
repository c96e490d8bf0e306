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
from service.inspections.check_options import ENDS_VISIT, full_check
from service.inspections.evidence import Found, Weighed
from service.inspections.inspected import Places
from service.inspections.ranking import Ranking

CERTAIN_FROM = 0.8  # chance after a failed check from which a part is certain to be due (own choice)
LEAST_MOVE = 1e-9


@dataclass(frozen=True)
class PartBelief:
    """A part of the machine with its chances.

    `found_bad`: a check of this very part failed, or it is a fact. `seen`: something was found on this machine that
    speaks for or against the part; without it the chances rest on age and distance alone. `place_open`: one of several
    places failed and nobody noted which; this is the likeliest.
    """

    component: str
    position: str | None
    chance_bad_now: float
    chance_in_season: float
    found_bad: bool = False
    seen: bool = False
    place_open: bool = False

    @property
    def part(self) -> Part:
        return self.component, self.position


def beliefs_after(weighed: Weighed, ranking: Ranking, places: Places) -> list[PartBelief]:
    """Every part of the machine with its chances: now after all that was found, ahead as the records give it."""
    ahead: dict[Part, float] = {}
    for ranked in ranking.parts:
        ahead[ranked.component, ranked.position] = ranked.chance_in_horizon.value
        ahead.setdefault((ranked.component, None), ranked.chance_in_horizon.value)
    before = {(part.component, part.position): part for part in weighed.parts}
    failed = failed_parts(weighed, places.catalogue)
    found = []
    for part in weighed.diagnosis.parts:
        name = (part.component, part.position)
        season = ahead.get(name, ahead.get((part.component, None), 0.0))
        named = before[name].marks.get(weighed.number_of(*name) or "")
        if named is not None:  # the number read says which part it is
            season = named.in_season.value
        seen = abs(part.posterior - before[name].value) > LEAST_MOVE
        bad = before[name].known_bad or name in failed
        unplaced = name in failed and not failed[name] and _several(part.component, places)
        found.append(PartBelief(*name, part.posterior, season, bad, seen or bad, unplaced))
    return found


def _several(component: str, places: Places) -> bool:
    """Whether the machine has, or may have, more than one place for a component."""
    known = places.positions(component)
    return known is None or len(known) > 1


def failed_parts(weighed: Weighed, catalogue: Catalogue) -> dict[Part, bool]:
    """Parts that a check of their own failed: facts for a bill; True where their place is known.

    A check on a set names no part of it. Where the position was not noted, the likeliest one is meant. A failed check
    of a safety part has to be put right whatever its chance; any other part must now be nearly sure to be bad.
    """
    findings = weighed.observed.findings
    latest = {(f.check, f.component, f.position, f.engine_state): (number, f) for number, f in enumerate(findings)}
    found: dict[Part, bool] = {}
    # Those with a position first: a place named is no longer to be found.
    for number, finding in sorted(latest.values(), key=lambda entry: entry[1].position is None):
        if finding.outcome is not Verdict.FAIL or (
            finding.component is None and full_check(finding.check, catalogue).set_level
        ):
            continue
        for name in _failed_by(finding, findings[number + 1 :], weighed, catalogue):
            if finding.position is not None:
                found[name] = True
            elif not any(slug == name[0] and placed for (slug, _), placed in found.items()):
                found[name] = False
    return found


def _failed_by(finding: Found, later: Sequence[Found], weighed: Weighed, catalogue: Catalogue) -> list[Part]:
    """The parts one failed check puts on the bill: of each component the likeliest position it speaks of."""
    slugs = set(catalogue.check_by_id[finding.check].components)
    slugs = slugs & {finding.component} if finding.component else slugs
    likeliest: dict[str, Any] = {}
    for part in sorted(weighed.diagnosis.parts, key=lambda part: (part.position is not None, -part.posterior)):
        if part.component in slugs and finding.position in (None, part.position):
            likeliest.setdefault(part.component, part)
    sure = [p for p in likeliest.values() if p.posterior >= CERTAIN_FROM]
    safety = [p for p in likeliest.values() if _to_put_right(finding, p.component, later, catalogue)]
    if len(likeliest) > 1:
        # Several components and none named: the check failed for one of them at least.
        safety = [] if sure else sorted(safety, key=lambda p: -p.posterior)[:1]
    return list(dict.fromkeys((p.component, p.position) for p in [*sure, *safety]))


def _to_put_right(finding: Found, component: str, later: Sequence[Found], catalogue: Catalogue) -> bool:
    """Whether a failed check of a safety part still stands: no pass of it, or of the full check, came after."""
    full = full_check(finding.check, catalogue).id
    if catalogue.component_by_slug[component].safety_class != "A" or full in ENDS_VISIT:
        return False  # a frame that is not the one on its papers is no repair
    return not any(
        f.outcome is Verdict.PASS
        and f.check in (finding.check, full)
        and f.component in (None, component)
        and f.position in (None, finding.position)
        for f in later
    )


def unplaced(beliefs: Sequence[PartBelief]) -> list[PartBelief]:
    """The beliefs as a bill lists them: a part whose place is to be found is named without one."""
    named = {belief.part for belief in beliefs}
    return [replace(b, position=None) if b.place_open and (b.component, None) not in named else b for b in beliefs]


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
        # One that failed at a place nobody noted is the one named here, not a second one.
        for other, belief in enumerate(beliefs):
            if belief.component == part.component and belief.place_open:
                beliefs[other] = replace(belief, found_bad=False, place_open=False)
        beliefs[index] = replace(part, found_bad=True, seen=True, place_open=False)
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
        open_ = [entry for entry in here if entry[1].place_open or not entry[1].found_bad] or here
        index, belief = max(open_, key=lambda entry: entry[1].chance_bad_now)
        return index, replace(belief, position=None)
    if [b.position for _, b in here] == [None] and position in catalogue.component_by_slug[slug].positions:
        return here[0][0], replace(here[0][1], position=position)
    places = ", ".join(str(b.position) for _, b in here if b.position) or "a single one"
    raise InvalidInput(f"{slug} has no position {position!r} here; it has {places}", pointer=f"{pointer}/position")
