"""Which numbers the parts of a machine may bear, as far as its records leave it open, and what each would mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from analytics.life_model_types import Horizon, PartState
from analytics.original_part import chance_original
from analytics.spells import DAYS_PER_YEAR, Quality
from service.inspections.kept_chances import chances_of
from service.inspections.part_marks import CURRENT, KEPT_YEARS, PATTERN, PATTERN_SHARE, SUPERSEDED, Marked, Part
from service.inspections.ranking import Ranking
from service.inspections.serving import Snapshot

WHILE_KEPT = Horizon(days=KEPT_YEARS * DAYS_PER_YEAR)


def marks_of(ranking: Ranking, snapshot: Snapshot) -> dict[Part, dict[str, Marked]]:
    """For each part whose number a check reads, and whose number would tell something: what it may be."""
    readable = {slug for check in snapshot.catalogue.checks for slug in check.mark_of}
    states = [part.state for part in ranking.parts if part.component in readable and not part.known_bad]
    found: dict[Part, dict[str, Marked]] = {}
    for state in states:
        alternatives = _alternatives(state)
        if len(alternatives) < 2:
            continue
        weights = _weights(state, alternatives, ranking, snapshot)
        season = Horizon(ranking.horizon_km, ranking.horizon_days)
        machine, level = ranking.machine, ranking.parts[0].chance_in_horizon.level
        states_then = [*alternatives.values(), _new(state)]
        ahead, (*kept, new) = chances_of(
            snapshot, states_then, machine.cell, [season, WHILE_KEPT], machine.km_per_day, level=level
        )
        found[state.component, state.position] = {
            mark: Marked(
                weights[mark],
                in_season.chance_bad_now,
                in_season.chance_in_horizon,
                while_kept.chance_in_horizon.value,
                new.chance_in_horizon.value,
            )
            for mark, in_season, while_kept in zip(alternatives, ahead[:-1], kept, strict=True)
        }
    return found


def _new(state: PartState) -> PartState:
    """The maker's part of today, fitted today in this one's place."""
    stratum = state.stratum if state.renewal_stratum is None else state.renewal_stratum
    return PartState(
        state.component,
        state.machine_km,
        state.machine_days,
        part_km=0.0,
        part_days=0.0,
        position=state.position,
        stratum=stratum,
        quality=int(Quality.ORIGINAL),
    )


def _alternatives(state: PartState) -> dict[str, PartState]:
    """The part as it would be known after each number that it may bear; one alone where nothing is open."""
    if state.used or state.quality in (Quality.ORIGINAL, Quality.PATTERN):
        return {}
    as_old = state.known_start and state.part_km is not None and state.part_km >= state.machine_km - 1e-6
    if as_old:
        return {}  # the factory part: its number is the one the machine was built with
    makers, other = int(Quality.ORIGINAL), int(Quality.PATTERN)
    if state.known_start:
        return {CURRENT: replace(state, quality=makers), PATTERN: replace(state, quality=other)}
    superseded = state.renewal_stratum is not None and state.renewal_stratum != state.stratum
    found = {}
    if superseded and not state.not_original:
        km, days = state.machine_km, state.machine_days
        found[SUPERSEDED] = replace(state, part_km=km, part_days=days, quality=makers)
    later = superseded or state.not_original
    found[CURRENT] = replace(state, not_original=later, quality=makers)
    found[PATTERN] = replace(state, not_original=True, quality=other)
    return found


def _weights(
    state: PartState, alternatives: Mapping[str, PartState], ranking: Ranking, snapshot: Snapshot
) -> dict[str, float]:
    (original,) = chance_original(snapshot.risks, [state], ranking.machine.cell)
    later = 1.0 - original
    if SUPERSEDED in alternatives:
        return {SUPERSEDED: original, CURRENT: later * (1 - PATTERN_SHARE), PATTERN: later * PATTERN_SHARE}
    return {CURRENT: original + later * (1 - PATTERN_SHARE), PATTERN: later * PATTERN_SHARE}
