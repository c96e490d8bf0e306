"""Answer the yard's questions: what is likely to fail on this machine, and what to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import isinf
from typing import Any

from sqlalchemy.orm import Session

from analytics.life_model_types import Chance, Evidence, Horizon, PartState, Probability
from analytics.spells import DAYS_PER_YEAR
from service.errors import InvalidInput
from service.inspections.kept_chances import chances_of
from service.inspections.part_states import KnownMachine, from_description, part_state, parts_now, run_bounds, to_km
from service.inspections.recorded import from_records
from service.inspections.serving import Snapshot, find_cell, snapshot_for
from service.inspections.told_history import checked_history
from service.pool.visible import IN_FULL, OWN_ONLY
from service.queries import machine_of
from service.said import Distance, Number, Share, joined, say

CERTAIN = 1.0
# How far off the hazard can be where the log is broken in one of the ways that are known (simulated records of such
# logs, true over told: 0.62 to 1.9; see analytics.selection).
BROKEN_LOG_FACTORS = (0.6, 1.9)
KNOWN_AS = {
    "model": say("this model"),
    "family": say("its engine family"),
    "make": say("its make"),
    "component": say("all machines"),
}


@dataclass(frozen=True)
class RankedPart:
    """One part of the machine with its risk; `known_bad` where it was found bad and nothing has been done since."""

    rank: int
    component: str
    name: str
    position: str | None
    safety_class: str
    state: PartState
    chance_in_horizon: Probability
    chance_bad_now: Probability
    evidence: Evidence
    known_bad: bool
    why: str
    counts_from: str = IN_FULL
    run_bounds_km: tuple[float, float] | None = None  # where a clock was changed unread since the part went in


@dataclass(frozen=True)
class Ranking:
    """Every part the machine carries, the likeliest to fail within the horizon first."""

    machine: KnownMachine
    parts: tuple[RankedPart, ...]
    version: str
    data_through: date | None
    horizon_km: float
    horizon_days: float
    notes: tuple[str, ...]
    log_flags: tuple[str, ...] = ()
    order_only: bool = False

    def to_dict(self) -> dict[str, Any]:
        """The reply of design contract 3.2."""
        return {
            "ranking": [self._part_reply(part) for part in self.parts],
            "estimate": {"version": self.version, "data_through": self.data_through},
            "horizon": {"distance_km": round(self.horizon_km, 1), "days": round(self.horizon_days, 1)},
            "notes": list(self.notes),
        }

    def _part_reply(self, part: RankedPart) -> dict[str, Any]:
        reply = _part_reply(part)
        if self.order_only and not part.known_bad:
            reply |= {"chance_in_horizon": None, "chance_bad_now": None}
        elif self.log_flags and not part.known_bad:
            reply["sensitivity"] = _sensitivity(part.chance_in_horizon)
        return reply


def rank_described(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, today: date, pool_open: bool
) -> tuple[Ranking, Snapshot]:
    """Rank the parts of a described machine (checked by `RankingAsked`)."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    described = asked["machine"]
    cell, notes = find_cell(session, described["make"], described["model"], described["family"])
    history, more = checked_history(asked, cell, snapshot)
    told = {**asked, "history": history}
    machine = from_description(told, cell, asked["as_of"] or today, [*notes, *more], snapshot.layout(cell))
    if asked["horizon"]["months"] is None and machine.km_per_day <= 0:
        raise InvalidInput("at no distance a year a distance is never reached: give months", pointer="/horizon/months")
    return rank(machine, snapshot, _horizon(asked["horizon"]), asked["level"]), snapshot


def rank_recorded(
    session: Session,
    shop_id: int,
    public_id: Any,
    *,
    as_of: date,
    horizon: Horizon,
    level: float,
    pool_open: bool,
) -> tuple[Ranking, Snapshot]:
    """Rank the parts of a machine on record."""
    row = machine_of(session, shop_id, public_id)
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    return rank(from_records(session, row, as_of), snapshot, horizon, level), snapshot


def _horizon(asked: Mapping[str, Any]) -> Horizon:
    return horizon_of(None if asked["distance"] is None else to_km(asked["distance"]), asked["months"])


def horizon_of(distance_km: float | None, months: float | None) -> Horizon:
    """A horizon from distance and months; the coming season (12 months) where neither is given."""
    if distance_km is None and months is None:
        months = 12.0
    return Horizon(distance_km, None if months is None else months * DAYS_PER_YEAR / 12)


def rank(machine: KnownMachine, snapshot: Snapshot, horizon: Horizon, level: float) -> Ranking:
    """Chances of every part, ordered."""
    parts = parts_now(machine, snapshot)
    states = [part_state(slug, position, now, machine, snapshot) for slug, position, now in parts]
    (chances,) = chances_of(
        snapshot, states, machine.cell, [horizon], machine.km_per_day, level=level, on_record=machine.on_record
    )
    known_bad = [not now.alive for _, _, now in parts]
    order = sorted(
        range(len(states)),
        key=lambda k: (
            not known_bad[k],
            -chances[k].chance_in_horizon.value,
            states[k].component,
            str(states[k].position),
        ),
    )
    ranked = tuple(
        _ranked(rank_, states[k], chances[k], known_bad[k], snapshot, machine) for rank_, k in enumerate(order, start=1)
    )
    km, days = horizon.on_both_clocks(machine.km_per_day)
    return Ranking(
        machine,
        ranked,
        snapshot.version,
        snapshot.data_through,
        km,
        days,
        (*machine.notes, *_log_notes(snapshot)),
        snapshot.log_flags,
        snapshot.order_only,
    )


def _log_notes(snapshot: Snapshot) -> list[str]:
    if snapshot.order_only:
        return [
            say(
                "The records hold hardly anything but failures: the order can be used, chances cannot be given."
                " Log machines that were seen to work, too."
            )
        ]
    told = [*snapshot.log_flags, snapshot.log_too_small]
    outdated = [snapshot.refit_note] if snapshot.outdated else []
    return outdated + [say("About the records: %(words)s.", words=say(words)) for words in told if words]


def _ranked(
    rank_: int, state: PartState, chance: Chance, known_bad: bool, snapshot: Snapshot, machine: KnownMachine
) -> RankedPart:
    document = snapshot.documents[state.component]
    in_horizon, bad_now = chance.chance_in_horizon, chance.chance_bad_now
    evidence, counts_from = chance.evidence, IN_FULL
    bounds = run_bounds(state, machine)
    if snapshot.counts is not None:
        evidence, counts_from = snapshot.counts.evidence(state.component, machine.cell, evidence)
    if known_bad:
        in_horizon = bad_now = Probability(CERTAIN, CERTAIN, CERTAIN, in_horizon.level)
    return RankedPart(
        rank_,
        state.component,
        document["name"],
        state.position,
        document["safety_class"],
        state,
        in_horizon,
        bad_now,
        evidence,
        known_bad,
        why(state, evidence, known_bad, counts_from, bounds),
        counts_from,
        bounds,
    )


def why(
    state: PartState,
    evidence: Evidence,
    known_bad: bool,
    counts_from: str = IN_FULL,
    bounds: tuple[float, float] | None = None,
) -> str:
    """One line: what is known of this part, and what the figure rests on."""
    if known_bad:
        return say("Found bad and not renewed since.")
    return joined(_age_words(state, bounds), evidence_words(evidence, counts_from))


def _age_words(state: PartState, bounds: tuple[float, float] | None) -> str:
    if bounds is not None and state.part_days is not None:
        years = Number(state.part_days / DAYS_PER_YEAR, 1)
        return say(
            "This part has run between %(least)s and %(most)s in %(years)s years: a clock was changed since, and the"
            " old one not read.",
            least=Distance(bounds[0]),
            most=say("an unknown distance") if isinf(bounds[1]) else Distance(bounds[1]),
            years=years,
        )
    if state.part_km is not None and state.part_days is not None:
        return say(
            "This part has run %(distance)s in %(years)s years.",
            distance=Distance(state.part_km),
            years=Number(state.part_days / DAYS_PER_YEAR, 1),
        )
    if state.used:
        return say("Fitted second-hand, age unknown.")
    if state.not_original:
        return say("Renewed before, when is unknown.")
    return say("History unknown: may be the first part or a later one.")


def evidence_words(evidence: Evidence, counts_from: str = IN_FULL) -> str:
    """How much stands behind a figure, in the trade's words."""
    counts = {"failures": Number(evidence.failures), "parts": Number(evidence.parts)}
    if counts_from == OWN_ONLY:
        return say(
            "%(failures)s failures in %(parts)s parts of your own; what other shops have is in the chance, but too few"
            " machines or shops to be counted out; the prior weighs %(prior)s.",
            **counts,
            prior=Share(evidence.prior_weight),
        )
    if evidence.parts == 0:
        return say("No records of this part: catalogue prior only, invented figures.")
    return say(
        "%(failures)s failures in %(parts)s parts, %(shops)s shops (%(known_as)s); the prior weighs %(prior)s.",
        **counts,
        shops=evidence.shops,
        known_as=KNOWN_AS[evidence.known_as],
        prior=Share(evidence.prior_weight),
    )


def _part_reply(part: RankedPart) -> dict[str, Any]:
    evidence = part.evidence
    bounds = part.run_bounds_km
    more = {} if bounds is None else {"run_km": {"low": bounds[0], "high": None if isinf(bounds[1]) else bounds[1]}}
    return {
        "rank": part.rank,
        "component": part.component,
        "name": part.name,
        "position": part.position,
        "safety_class": part.safety_class,
        "chance_in_horizon": _chance(part.chance_in_horizon),
        "chance_bad_now": _chance(part.chance_bad_now),
        "evidence": {
            "failures": evidence.failures,
            "parts": evidence.parts,
            "machines": evidence.machines,
            "shops": evidence.shops,
            "exposure_km": evidence.exposure_km,
            "exposure_years": evidence.exposure_years,
            "prior_weight": evidence.prior_weight,
            "clock": evidence.clock,
            "known_as": evidence.known_as,
            "counts": part.counts_from,
        },
        "why": part.why,
        **more,
    }


def _sensitivity(chance: Probability) -> dict[str, Any]:
    """The interval, stretched by what a broken log may hide: the hazard times the factors above."""
    low, high = (1.0 - (1.0 - end) ** factor for end, factor in
                 zip((chance.low, chance.high), BROKEN_LOG_FACTORS, strict=True))  # fmt: skip
    return {"low": low, "high": high, "hazard_factors": list(BROKEN_LOG_FACTORS)}


def _chance(chance: Probability) -> dict[str, float]:
    return {"value": chance.value, "low": chance.low, "high": chance.high, "level": chance.level}
