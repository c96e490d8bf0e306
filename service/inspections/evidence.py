"""From symptoms, facts and findings to the posterior of every part, with what moved it.

Rules that need no catalogue live in `analytics.diagnosis`; here the catalogue's rows are laid out for one machine.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import (
    Diagnosis,
    Evidence,
    EvidenceRules,
    Finding,
    HistoryFact,
    NonRunner,
    PriorChance,
    Symptom,
)
from analytics.outcomes import Shares, Verdict
from analytics.planning_types import CheckTarget
from service.catalogue_types import Catalogue
from service.check_types import Check
from service.inspections.check_options import check_target, full_check, sharing_good, targets_when
from service.inspections.inspected import STICKS, InspectedPart, Places

Part = tuple[str, str | None]

LIFE_MODEL_COVARIATES: frozenset[str] = frozenset()  # none of idle, load, region is in the pooled fits yet
IDLE = "idle"
NON_RUNNER = "non_runner"
WEAK_PASS_ABOVE = EvidenceRules().weak_pass_above
NON_RUNNING_GROUPS = ("no-start", "no-crank")
LAMP = "S11"  # the one symptom whose absence says something
# A stored code that names a circuit: ratio of the part in it (the brief: 10 to 15) and of its wiring. Invented priors.
CODE_NAMES_PART, CODE_NAMES_WIRING = 12.0, 4.0
LEAST_CHANCE = 1e-9
INVOICES = "H06"  # the one fact whose absence says something
# Too high a reading of this check is another fact than too low a one: over-voltage is no sign of a bad stator.
TOO_HIGH = {"T03": "S08"}
# A check on a set whose sound or hiss can name the part.
NAMES_THE_PART = frozenset({"T22", "T23"})


@dataclass(frozen=True)
class Found:
    """What one check, or its quick variant, found on one part, or on all it looks at where `component` is None."""

    check: str
    component: str | None
    position: str | None
    outcome: Verdict
    engine_state: str | None = None
    above: bool = False  # the reading that decided lies above what passes
    part_mark: str | None = None  # which part the number on it names


@dataclass(frozen=True)
class Observed:
    """Everything seen, told and measured on a machine; entries of `symptoms` and `facts` as checked requests."""

    symptoms: Sequence[Mapping[str, Any]] = ()
    facts: Sequence[Mapping[str, Any]] = ()
    findings: Sequence[Found] = ()
    engine_runs: bool = True

    @property
    def empty(self) -> bool:
        """True where nothing was observed."""
        return not self.symptoms and not self.facts and not self.findings and self.engine_runs

    @property
    def idle_months(self) -> float | None:
        """How long it stood, where that is known."""
        return max((f["idle_months"] for f in self.facts if f["idle_months"] is not None), default=None)

    @property
    def comes_with_heat(self) -> bool:
        """True for a fault that shows hot."""
        return any(s["id"] == "S10" and s["present"] for s in self.symptoms)

    def named_positions(self, catalogue: Catalogue) -> dict[str, set[str]]:
        """Positions that evidence tells apart, by component."""
        named: dict[str, set[str]] = {}
        for found in self.findings:
            if found.component is not None and found.position is not None:
                named.setdefault(found.component, set()).add(found.position)
        for symptom in self.symptoms:
            for ratio in catalogue.symptom_by_id[symptom["id"]].ratios:
                named.setdefault(ratio.component, set()).update(symptom["positions"] or ())
        return named


@dataclass(frozen=True)
class Weighed:
    """A machine's parts with the diagnosis of them; `parts` carry the chances before any evidence."""

    parts: tuple[InspectedPart, ...]
    diagnosis: Diagnosis
    observed: Observed

    def number_of(self, component: str, position: str | None) -> str | None:
        """Which part number was last read on a part, if any."""
        for found in reversed(self.observed.findings):
            if found.part_mark is not None and found.component == component and found.position in (None, position):
                return found.part_mark
        return None


def weigh(places: Places, observed: Observed) -> Weighed:
    """Posterior of every part of the machine, given all that was observed."""
    catalogue = places.catalogue
    named = observed.named_positions(catalogue)
    named = {slug: {p for p in names if _fits(places, slug, p)} for slug, names in named.items()}
    parts = tuple(places.split(named, observed.idle_months))
    evidence = [
        *_non_runner(observed, parts, catalogue),
        *_told(observed, catalogue),
        *_measured(observed, parts, catalogue),
    ]
    rules = catalogue.rules
    diagnosis = diagnose(
        [PriorChance(part.component, part.position, 1.0 if part.known_bad else part.chance_bad) for part in parts],
        evidence,
        EvidenceRules(
            cap_symptom_or_history=rules.cap_symptom_or_history,
            cap_measured_check=rules.cap_measured_check,
            cap_product_per_component=rules.cap_product_per_component,
            reported_exponent=rules.reported_exponent,
        ),
        covariates=LIFE_MODEL_COVARIATES | ({IDLE} if observed.idle_months else set()),
        age_known={part.component for part in parts if part.age_known},
    )
    return Weighed(parts, diagnosis, observed)


def _fits(places: Places, component: str, position: str) -> bool:
    """A symptom's position belongs to some of its components only (a cylinder is no place of the fuel pump)."""
    known = places.positions(component) if component in places.components() else ()
    return known is None or position in known


def _non_runner(observed: Observed, parts: Sequence[InspectedPart], catalogue: Catalogue) -> list[Evidence]:
    """A machine that will not run: at least one part that a symptom of it raises is bad."""
    seen = [s["id"] for s in observed.symptoms if s["source"] == "seen" and s["present"]]
    rows = [catalogue.symptom_by_id[key] for key in seen]
    rows = [row for row in rows if row.group in NON_RUNNING_GROUPS]
    if not rows and observed.engine_runs:
        return []
    rows = rows or [row for row in catalogue.symptoms if row.group in NON_RUNNING_GROUPS]
    raised = {ratio.component for row in rows for ratio in row.ratios if ratio.ratio > 1}
    members = frozenset((part.component, part.position) for part in parts if part.component in raised)
    return [NonRunner(NON_RUNNER, members)] if members else []


def _told(observed: Observed, catalogue: Catalogue) -> list[Evidence]:
    return [*(_symptom(asked, catalogue) for asked in observed.symptoms), *_facts(observed, catalogue)]


def _symptom(asked: Mapping[str, Any], catalogue: Catalogue) -> Symptom:
    row = catalogue.symptom_by_id[asked["id"]]
    ratios = {ratio.component: ratio.ratio for ratio in row.ratios}
    if not asked["present"]:
        ratios = dict.fromkeys(ratios, catalogue.rules.fault_lamp_off_ratio)
    if (named := asked.get("names_component")) is not None:
        ratios = {"main_harness": CODE_NAMES_WIRING, named: CODE_NAMES_PART}
    positions = frozenset(asked["positions"]) if asked["positions"] else None
    return Symptom(
        row.id,
        ratios,
        group=row.group,
        reported=asked["source"] == "told",
        positions=positions,
        elsewhere=catalogue.rules.live_cylinder_ratio if positions and row.group == "misfire" else 1.0,
    )


def _facts(observed: Observed, catalogue: Catalogue) -> Iterable[HistoryFact]:
    for asked in observed.facts:
        row = catalogue.history_fact_by_id[asked["id"]]
        ratios = {ratio.component: ratio.ratio for ratio in row.ratios}
        if asked.get("mild") and row.mild is not None:
            ratios = {ratio.component: ratio.ratio for ratio in row.mild.ratios}
        if not asked["present"]:
            scheduled = [c.slug for c in catalogue.components if c.policy == "S"]
            ratios = dict.fromkeys(scheduled, catalogue.rules.no_history_ratio_scheduled)
        covariate = row.duplicates_covariate
        if covariate == IDLE and covariate not in LIFE_MODEL_COVARIATES:
            # The months are in the chance of sticking already; on all other parts the row still stands.
            stuck = {slug: ratio for slug, ratio in ratios.items() if slug in STICKS}
            if stuck:
                yield _fact(row.id, stuck, row.group, IDLE, row.not_when_age_known)
            ratios = {slug: ratio for slug, ratio in ratios.items() if slug not in STICKS}
            covariate = None
        yield _fact(row.id, ratios, row.group, covariate, row.not_when_age_known)


def _fact(
    key: str, ratios: Mapping[str, float], group: str | None, covariate: str | None, unless_aged: Collection[str]
) -> HistoryFact:
    return HistoryFact(key, ratios, group, covariate, frozenset(unless_aged))


def _measured(observed: Observed, parts: Sequence[InspectedPart], catalogue: Catalogue) -> list[Evidence]:
    """Findings in the order made; of one option on one part in one engine state the latest stands."""
    taken: set[tuple[str, str | None, Part]] = set()
    kept: list[list[Evidence]] = []
    for found in reversed(observed.findings):
        looked_at = [
            p for p in looked_at_by(found, parts, catalogue) if (found.check, found.engine_state, p) not in taken
        ]
        taken |= {(found.check, found.engine_state, part) for part in looked_at}
        if looked_at:
            kept.append(_said(found, looked_at, parts, catalogue))
    return [finding for findings in reversed(kept) for finding in findings]


def looked_at_by(found: Found, parts: Sequence[InspectedPart], catalogue: Catalogue) -> list[Part]:
    """Parts of the machine one finding speaks of."""
    entry = catalogue.check_by_id[found.check]
    slugs = {t.component for t in targets_when(entry.targets, found.engine_state)}
    if not entry.targets:
        slugs = set(entry.components)
    if found.component is not None:
        slugs &= {found.component}
    return [
        (part.component, part.position)
        for part in parts
        if part.component in slugs and (found.position is None or part.position == found.position)
    ]


def _said(
    found: Found, looked_at: Sequence[Part], parts: Sequence[InspectedPart], catalogue: Catalogue
) -> list[Evidence]:
    if full_check(found.check, catalogue).mark_of:
        return _marks_read(found, looked_at, parts)
    return _findings(found, looked_at, catalogue)


def _marks_read(found: Found, looked_at: Sequence[Part], parts: Sequence[InspectedPart]) -> list[Evidence]:
    """A number read: the odds move from those of the mixture to those of the part it names."""
    by_part = {(part.component, part.position): part for part in parts}
    told: list[Evidence] = []
    for component, position in looked_at:
        part = by_part[component, position]
        named = part.marks.get(found.part_mark or "")
        if named is not None:
            ratio = _odds(named.bad_now.value) / _odds(part.value)
            told.append(Symptom(found.check, {component: ratio}, positions=frozenset({position}) if position else None))
    return told


def _odds(chance: float) -> float:
    return max(chance, LEAST_CHANCE) / max(1 - chance, LEAST_CHANCE)


def _findings(found: Found, looked_at: Sequence[Part], catalogue: Catalogue) -> list[Evidence]:
    """One finding for the set of a set-level check, else one a component; over several positions it is a set too."""
    entry = catalogue.check_by_id[found.check]
    full = full_check(found.check, catalogue)
    targets = {t.component: t for t in targets_when(entry.targets, found.engine_state)}
    if found.above and found.outcome is Verdict.FAIL and full.id in TOO_HIGH:
        row = catalogue.symptom_by_id[TOO_HIGH[full.id]]
        return [Symptom(found.check, {r.component: r.ratio for r in row.ratios}, row.group)]
    if full.set_level and found.component is None:
        members = [check_target(targets[c], p) for c, p in looked_at]
        return [_finding(found, full, full.id, members + _also(full, members, catalogue), set_level=True)]
    findings: list[Evidence] = []
    for component in dict.fromkeys(c for c, _ in looked_at):
        mine = [check_target(targets[component], p) for c, p in looked_at if c == component]
        weak = targets[component].weak_pass or targets[component].likelihood_ratios.pass_ > WEAK_PASS_ABOVE
        findings.append(_finding(found, full, f"{full.id}/{component}", mine, set_level=len(mine) > 1, weak=weak))
    return findings


def _finding(
    found: Found, full: Check, parent: str, targets: Sequence[CheckTarget], *, set_level: bool, weak: bool = False
) -> Finding:
    group = full.evidence_group
    told = sharing_good(targets) if set_level else targets
    return Finding(found.check, parent, found.outcome, tuple(told), set_level, group, weak_pass=weak)


def _also(full: Check, members: Sequence[CheckTarget], catalogue: Catalogue) -> list[CheckTarget]:
    """Parts outside the set that fail its check now and then: a bad battery pulls the charging voltage down."""
    good = members[0].given_good
    found = []
    for also in catalogue.rules.set_level_also:
        if also.check == full.id:
            rest = (1 - also.given_bad_fail) / (good.marginal + good.passed)
            bad = Shares(also.given_bad_fail, good.marginal * rest, good.passed * rest)
            found.append(CheckTarget(also.component, None, bad, good))
    return found
