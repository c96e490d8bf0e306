"""Lives of parts: one chain of parts a position, from the machine's build to its last day under observation.

A part has two lives, one in km and one in days, and dies of whichever ends first (two competing causes, each
Weibull). It is taken out when it fails (at once if its rider notices, else at the next service), when a schedule
says so, when another part or a lay-up kills it, or for a reason that has nothing to do with its state.
All chains of a component advance together, one part a round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seed.world_lives import ORIGINAL, OWN, PATTERN, USED, Kills, Law, Lives, Units, Upkeep, Why
from seed.world_machines import WIDTH, Floats, Ints, Usage, Visits


@dataclass
class _State:
    """The part now fitted in each position that is still followed."""

    unit: Ints
    now: Floats
    fitted: Floats
    fitted_km: Floats
    frailty: Floats
    kind: Ints


def run_chains(
    units: Units, law: Law, upkeep: Upkeep, usage: Usage, visits: Visits, kills: Kills, rng: np.random.Generator,
    only: Ints | None = None, start: Floats | None = None, kind: Ints | None = None,
) -> Lives:  # fmt: skip
    """Follow every position (or `only` some, from a part fitted on `start`) until its last day."""
    unit = np.arange(len(units)) if only is None else only
    now = units.start[unit] if start is None else start
    kind = np.zeros(len(unit), np.int64) if kind is None else kind
    km = usage.km(units.machine[unit], now)
    state = _State(unit, now.copy(), now.copy(), km, _frailty(law, unit, rng), kind)
    rounds: list[Lives] = []
    while len(state.unit):
        stay = _one_stay(state, units, law, upkeep, usage, visits, kills, rng)
        rounds.append(stay)
        state = _next_state(state, stay, units, law, upkeep, usage, rng)
    return Lives.join(rounds)


def _frailty(law: Law, unit: Ints, rng: np.random.Generator) -> Floats:
    return law.multiplier[unit] * np.exp(law.sigma[unit] * rng.standard_normal(len(unit)))


def _one_stay(
    s: _State, units: Units, law: Law, upkeep: Upkeep, usage: Usage, visits: Visits, kills: Kills,
    rng: np.random.Generator,
) -> Lives:  # fmt: skip
    machine, end = units.machine[s.unit], units.end[s.unit]
    failed = _own_end(s, machine, law, usage, rng)
    failed = _after_lay_up(failed, s, machine, usage, upkeep.laid_up_factor, rng)
    own_day, own_why = _own_removal(failed, s.now, machine, upkeep, usage, visits, rng)
    other_day = s.now + rng.exponential(1.0 / upkeep.other_per_day[s.unit])
    other_why = rng.choice([int(w) for w, _ in upkeep.other_reasons], len(s.unit),
                           p=[p for _, p in upkeep.other_reasons])  # fmt: skip
    at_service = visits.next(machine, np.minimum(other_day, WIDTH - 1.0))
    other_day = np.where(other_why == Why.DAMAGE, other_day, at_service)
    kill_day, kill_why = kills.next(s.unit, s.now)
    days = np.stack([own_day, _due(s, machine, upkeep, usage, visits), other_day, kill_day])
    whys = np.stack([own_why, np.full(len(s.unit), int(Why.SCHEDULED)), other_why, kill_why])
    first = np.argmin(days, axis=0)  # own end wins a tie: a part found bad when it was due was found bad
    every = np.arange(len(s.unit))
    day, why = days[first, every], whys[first, every]
    open_ = day > end
    why = np.where(open_, int(Why.STILL_ON), why)
    day = np.where(open_, end, day)
    own = np.isin(why, [int(w) for w in OWN])
    failed = np.where(own | (failed <= day), failed, np.inf)
    mended = rng.random(len(s.unit)) < np.where(why == Why.STUCK, upkeep.stuck_repaired[s.unit],
                                                np.where(own, upkeep.repaired, 0.0))  # fmt: skip
    draw = rng.random(len(s.unit))
    share = upkeep.pattern_share[s.unit]
    new_kind = np.where(draw < share, PATTERN, np.where(draw < share + upkeep.used_share, USED, ORIGINAL))
    new_kind = np.where(mended, s.kind, new_kind)
    return Lives(s.unit, s.now, s.fitted, s.fitted_km, day, failed, why, mended, s.kind, new_kind)


def _own_end(s: _State, machine: Ints, law: Law, usage: Usage, rng: np.random.Generator) -> Floats:
    """Day on which the part's own life ends, given that it is good now."""
    shape, scale_km, scale_days = law.shape[s.unit], law.scale_km[s.unit], law.scale_days[s.unit]
    hazard = s.frailty
    if law.later is not None:
        new = law.superseded(s.unit, s.fitted)
        shape = np.where(new, law.later.shape, shape)
        scale_km = np.where(new, law.later.scale_km, scale_km)
        scale_days = np.where(new, law.later.scale_days, scale_days)
    if law.pattern is not None and law.pattern_on is not None:
        special = (s.kind == PATTERN) & law.pattern_on[s.unit]
        shape = np.where(special, law.pattern[0], shape)
        scale_km = np.where(special, law.pattern[1], scale_km)
        scale_days = np.where(special, np.inf, scale_days)
    km_end = _life(usage.km(machine, s.now) - s.fitted_km, shape, scale_km, hazard, rng) + s.fitted_km
    day_end = _life(s.now - s.fitted, shape, scale_days, hazard, rng) + s.fitted
    return np.maximum(np.minimum(usage.day(machine, km_end), day_end), s.now)


def _life(age: Floats, shape: Floats, scale: Floats, hazard: Floats, rng: np.random.Generator) -> Floats:
    spent = (np.maximum(age, 0.0) / scale) ** shape  # 0 where the scale is inf
    left = rng.exponential(1.0, len(age)) / hazard
    finite = np.isfinite(scale)
    return np.where(finite, np.where(finite, scale, 1.0) * (spent + left) ** (1.0 / shape), np.inf)


def _after_lay_up(
    failed: Floats, s: _State, machine: Ints, usage: Usage, factor: float, rng: np.random.Generator
) -> Floats:
    """A battery left off the charger for a year loses most of the life it had; found dead in spring."""
    if factor == 1.0:
        return failed
    start, end = usage.laid_up_from[machine], usage.laid_up_to[machine]
    hit = (s.now < start) & (failed > start) & (rng.random(len(failed)) < 0.6)
    return np.where(hit, np.maximum(start + factor * (failed - start), end), failed)


def _own_removal(
    failed: Floats, now: Floats, machine: Ints, upkeep: Upkeep, usage: Usage, visits: Visits, rng: np.random.Generator
) -> tuple[Floats, Ints]:
    noticed = rng.random(len(failed)) < upkeep.noticed
    capped = np.minimum(failed, WIDTH - 1.0)
    day = np.where(noticed, failed, visits.next(machine, capped))
    why = np.where(noticed, int(upkeep.noticed_as), int(Why.FOUND))
    if upkeep.margin_km > 0:
        before = visits.last_before(machine, capped)
        left_km = usage.km(machine, capped) - usage.km(machine, np.maximum(before, 0.0))
        early = (before > now) & (left_km < upkeep.margin_km)
        day = np.where(early, before, day)
        why = np.where(early, int(Why.WORN), why)
    return day, why


def _due(s: _State, machine: Ints, upkeep: Upkeep, usage: Usage, visits: Visits) -> Floats:
    begins = upkeep.due_from[s.unit]
    assumed = s.fitted < begins
    from_km = np.where(assumed, 0.0, s.fitted_km)
    from_day = np.where(assumed, usage.built[machine], s.fitted)
    due = np.minimum(usage.day(machine, from_km + upkeep.due_km[s.unit]), from_day + upkeep.due_days[s.unit])
    due = np.maximum(np.maximum(due, begins), s.now + 1.0)
    at_service = visits.next(machine, np.minimum(due, WIDTH - 1.0))
    return np.where(upkeep.due_exact[s.unit], due, at_service)


def _next_state(
    s: _State, stay: Lives, units: Units, law: Law, upkeep: Upkeep, usage: Usage, rng: np.random.Generator
) -> _State:
    goes_on = (stay.why != Why.STILL_ON) & (stay.end < units.end[s.unit])
    unit, now, mended = s.unit[goes_on], stay.end[goes_on], stay.mended[goes_on]
    km = usage.km(units.machine[unit], now)
    kept = np.where(mended, upkeep.age_kept[unit], 0.0)
    fitted = now - kept * (now - s.fitted[goes_on])
    fitted_km = km - kept * (km - s.fitted_km[goes_on])
    used = (stay.new_kind[goes_on] == USED) & ~mended
    fitted = np.where(used, now - rng.uniform(2, 8, len(now)) * 365.25, fitted)
    fitted_km = np.where(used, km - rng.uniform(8_000, 30_000, len(now)), fitted_km)
    frailty = np.where(mended, s.frailty[goes_on], _frailty(law, unit, rng))
    return _State(unit, now, fitted, fitted_km, frailty, stay.new_kind[goes_on])


def splice(
    lives: Lives, units: Units, law: Law, upkeep: Upkeep, usage: Usage, visits: Visits, kills: Kills, earlier: Kills,
    rng: np.random.Generator,
) -> Lives:  # fmt: skip
    """Kill parts in chains that have run, with `earlier` kills: each is cut at its first new one, then lived anew."""
    if not len(kills.unit):
        return lives
    first = np.concatenate([[True], np.diff(kills.unit) != 0])
    unit, day, why = kills.unit[first], kills.day[first], kills.why[first]
    cut = np.full(len(units), np.inf)
    cut[unit], kind = day, np.zeros(len(units), np.int64)
    kind[unit] = why
    kept = lives.pick(lives.begin < cut[lives.unit])
    hit = kept.end > cut[kept.unit]
    share = upkeep.pattern_share[kept.unit]
    kept = replace(
        kept,
        end=np.where(hit, cut[kept.unit], kept.end),
        failed=np.where(hit, np.inf, kept.failed),
        why=np.where(hit, kind[kept.unit], kept.why),
        mended=kept.mended & ~hit,
        new_kind=np.where(hit, (rng.random(len(hit)) < share).astype(np.int64) * PATTERN, kept.new_kind),
    )
    again = kept.pick(hit)
    both = kills.plus(earlier)
    after = run_chains(units, law, upkeep, usage, visits, both, rng, again.unit, again.end, again.new_kind)
    return Lives.join([kept, after])
