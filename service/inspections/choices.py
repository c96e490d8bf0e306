"""What is left to choose from at a machine: checks that can still say something, and what is at stake on its parts."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from analytics.diagnosis_types import Diagnosis
from analytics.judging import STRICTEST_FIRST
from analytics.outcomes import Verdict
from analytics.planning_types import AccessGroup, CheckOption, ComponentRisk, JointChances
from service.catalogue_types import Catalogue
from service.check_types import QuickVariant
from service.inspections.check_options import (
    Judged,
    access_groups,
    check_options,
    component_risks,
    full_check,
)
from service.inspections.evidence import Found, Weighed, looked_at_by
from service.inspections.inspected import InspectedPart
from service.inspections.measured import void_now
from service.inspections.part_marks import Marks, with_years_kept


@dataclass(frozen=True)
class Choices:
    """As the planner takes them."""

    options: tuple[CheckOption, ...]
    groups: tuple[AccessGroup, ...]
    risks: tuple[ComponentRisk, ...]
    joint: tuple[JointChances, ...]
    marks: Mapping[str, Marks]
    judged: Mapping[str, Judged]

    @property
    def looked_at(self) -> set[str]:
        """Components a check, or its quick variant, has judged."""
        return {slug for judged in self.judged.values() for slug in (*judged.in_full, *judged.quickly)}


def choices_for(
    weighed: Weighed, catalogue: Catalogue, hourly_rate: float, *, not_again: Collection[str] = ()
) -> Choices:
    """Options still to do, with what is at stake after all that was observed.

    `not_again` are options that could not be judged today.
    """
    observed = weighed.observed
    hot = observed.comes_with_heat
    chances, joint = at_stake(weighed.diagnosis)
    judged = checks_done(
        [f for f in observed.findings if not (hot and f.engine_state == "cold")], weighed.parts, catalogue
    )
    marks = _marks_to_read(weighed)
    options = check_options(
        catalogue,
        set(chances),
        hot=hot,
        done=judged,
        marks=marks,
        void=void_now(observed.findings, observed.facts, catalogue),
    )
    started = any(catalogue.check_by_id[f.check].cold_start for f in observed.findings)
    return Choices(
        tuple(
            o
            for o in options
            if o.id not in not_again and not (started and o.needs_cold_engine and o.stage != "cold_start")
        ),
        tuple(access_groups(catalogue)),
        tuple(with_years_kept(component_risks(chances, catalogue, hourly_rate), marks)),
        tuple(joint),
        marks,
        judged,
    )


def _marks_to_read(weighed: Weighed) -> dict[str, Marks]:
    read = {f.component for f in weighed.observed.findings if f.part_mark is not None}
    return {p.component: p.marks for p in reversed(weighed.parts) if p.marks and p.component not in read}


def checks_done(findings: Sequence[Found], parts: Sequence[InspectedPart], catalogue: Catalogue) -> dict[str, Judged]:
    """By full check: the components it has judged at every position, itself or in its quick variant."""
    full_at: dict[str, set[tuple[str, str | None]]] = {}
    quick_at: dict[str, dict[tuple[str, str | None], Found]] = {}
    for found in findings:
        if found.outcome is Verdict.INCONCLUSIVE:
            continue
        full = full_check(found.check, catalogue)
        whole = Found(full.id, None, None, found.outcome, found.engine_state) if full.set_level else found
        seen = looked_at_by(whole, parts, catalogue)
        if isinstance(catalogue.check_by_id[found.check], QuickVariant):
            quick_at.setdefault(full.id, {}).update(dict.fromkeys(seen, found))
        else:
            full_at.setdefault(full.id, set()).update(seen)
    places: dict[str, set[tuple[str, str | None]]] = {}
    for part in parts:
        places.setdefault(part.component, set()).add((part.component, part.position))
    return {
        check: _judged(full_at.get(check, set()), quick_at.get(check, {}), places)
        for check in dict.fromkeys([*full_at, *quick_at])
    }


def _judged(
    in_full: set[tuple[str, str | None]],
    quick: Mapping[tuple[str, str | None], Found],
    places: Mapping[str, set[tuple[str, str | None]]],
) -> Judged:
    whole = {slug for slug, here in places.items() if here <= in_full}
    quickly = {}
    for slug, here in places.items():
        if slug not in whole and here <= in_full | set(quick):
            said = [quick[place] for place in here if place in quick]
            worst = min(said, key=lambda f: STRICTEST_FIRST.index(f.outcome))
            quickly[slug] = (worst.check, worst.outcome)
    return Judged(frozenset(whole), quickly)


def at_stake(diagnosis: Diagnosis) -> tuple[dict[str, float], list[JointChances]]:
    """By component: the chance that at least one of its positions is bad, and the joint chances of tied ones."""
    joint: list[JointChances] = []
    named: set[str] = set()
    for known in diagnosis.joint:
        components = {component for component, _ in known.parts}
        if not components & named:  # of a component in two sets the first holds; the other goes as if independent
            joint.append(by_component(known, diagnosis))
            named |= components
    return _any_position(diagnosis, joint), joint


def by_component(known: JointChances, diagnosis: Diagnosis) -> JointChances:
    """Joint chances of components: each bad where any of its positions is.

    A position outside the set is bad independently of it.
    """
    components = list(dict.fromkeys(component for component, _ in known.parts))
    outside = {
        c: 1
        - math.prod(1 - p.posterior for p in diagnosis.parts if p.component == c and (c, p.position) not in known.parts)
        for c in components
    }
    any_bad = np.array(
        [known.states[:, [k for k, part in enumerate(known.parts) if part[0] == c]].any(axis=1) for c in components]
    ).T
    states = np.array(list(product([False, True], repeat=len(components))), dtype=bool)
    chances = np.zeros(len(states))
    for state, chance in zip(any_bad, known.chances, strict=True):
        weight = np.full(len(states), chance)
        for column, component in enumerate(components):
            bad = 1.0 if state[column] else outside[component]
            weight = weight * np.where(states[:, column], bad, 1 - bad)
        chances += weight
    return JointChances(tuple((c, None) for c in components), states, chances / chances.sum())


def _any_position(diagnosis: Diagnosis, joint: Sequence[JointChances]) -> dict[str, float]:
    """By component: the chance that at least one of its positions is bad."""
    good: dict[str, float] = {}
    for part in diagnosis.parts:
        good[part.component] = good.get(part.component, 1.0) * (1.0 - part.posterior)
    chances = {slug: 1.0 - all_good for slug, all_good in good.items()}
    for known in joint:
        marginals = zip(known.parts, known.marginals, strict=True)
        chances |= {part[0]: float(chance) for part, chance in marginals}
    return chances
