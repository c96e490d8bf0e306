"""Pass, marginal, fail or inconclusive? A reading judged by a limit.

Prerequisites first: unmet, the reading is inconclusive, never a fail. An over-range display is a value, greater
than the range: judged where every such value has one verdict, else inconclusive. A set of readings is one test,
judged by its spread or by its worst value. The limit of the model goes before the family's, that before the class
default; a published figure of some other machine never judges. Limits of a jurisdiction stand beside, and the
stricter verdict counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analytics.judging_types import SCOPES, InvalidReading, Judgement, Limit, Reading
from analytics.outcomes import Verdict
from analytics.units import convert, is_percent, is_resistance, is_temperature, may_be_negative

STRICTEST_FIRST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.MARGINAL, Verdict.PASS)
LIMITS_STAND_AT_CELSIUS = 20.0
COPPER_PER_KELVIN = 0.00393  # of the resistance at 20 °C: annealed copper, IEC 60028 (from memory)
ABSOLUTE_ZERO_CELSIUS = -273.15
CLASS_DEFAULT = "class default; look up the model's own figure"

Interval = tuple[float, float]


def judge(reading: Reading, limit: Limit) -> Judgement:
    """Judge a reading by one limit.

    Raises
    ------
    InvalidUnit
        If the reading's unit is unknown or of another dimension than the limit's.
    InvalidReading
        If a value lies outside what is physically possible, or a spread is asked of one value.
    """
    values = _in_unit_of(reading, limit)
    if reading.prerequisites_unmet:
        return _undecided(limit, "prerequisite not met: " + "; ".join(reading.prerequisites_unmet))
    if limit.direction == "over_range":
        return _judge_open(reading, limit)
    if limit.direction == "nominal":
        return _undecided(limit, "not judged: the figure on file has no tolerance; needs the model's figure")
    if _needs_reference(limit, reading) and reading.reference is None:
        return _undecided(limit, f"not judged: needs the figure to compare with ({limit.basis.replace('_', ' ')})")
    shifted, notes = _at_temperature(limit, reading.ambient_celsius)
    verdicts = [(_verdict_over(m, shifted), m) for m in _measures(values, reading, shifted)]
    verdict, measure = min(verdicts, key=lambda v: STRICTEST_FIRST.index(v[0]))
    if limit.scope == "class default":
        notes = (*notes, CLASS_DEFAULT)
    shown = measure[0] if math.isfinite(measure[0]) else None
    return Judgement(verdict, shown, limit, _words(verdict, measure, shifted), notes)


def judge_by_best(reading: Reading, limits: Sequence[Limit]) -> Judgement:
    """Judge by the limit that goes first and by those of the jurisdiction; the stricter verdict counts.

    Parameters
    ----------
    reading : Reading
    limits : sequence of Limit
        All on file for this quantity, machine and region.

    Returns
    -------
    Judgement
        INCONCLUSIVE, with the reason, where no limit on file judges this machine.
    """
    own = [limit for scope in SCOPES for limit in limits if limit.scope == scope][:1]
    used = own + [limit for limit in limits if limit.scope == "jurisdiction"]
    if not used:
        shown = sorted({b for limit in limits for b in limit.bounds})
        span = f"; published figures of other machines run from {shown[0]:g} to {shown[-1]:g}" if shown else ""
        return _undecided(None, f"not judged: no limit on file, needs the model's figure{span}")
    found = [judge(reading, limit) for limit in used]
    strict = min(found, key=lambda j: STRICTEST_FIRST.index(j.verdict))
    others = tuple(f"{j.limit.id} ({j.limit.scope}): {j.verdict.value}" for j in found if j is not strict and j.limit)
    return replace(strict, notes=strict.notes + others)


def copper_resistance(ohm: float, at_celsius: float, to_celsius: float = LIMITS_STAND_AT_CELSIUS) -> float:
    """A copper winding's resistance carried from one temperature to another (ohm)."""
    if ohm < 0:
        raise InvalidReading(f"ohm must be 0 or more, not {ohm}")
    factor = [1 + COPPER_PER_KELVIN * (t - 20.0) for t in (to_celsius, at_celsius)]
    return ohm * factor[0] / factor[1]


def _is_worked_out(limit: Limit, reading: Reading) -> bool:
    """True where the limit is a percentage and the reading was given as one."""
    return "percent" in limit.basis and is_percent(reading.unit)


def _needs_reference(limit: Limit, reading: Reading) -> bool:
    return limit.basis not in ("value", "spread", "spread_percent") and not _is_worked_out(limit, reading)


def _in_unit_of(reading: Reading, limit: Limit) -> list[Interval]:
    """Values as intervals in the unit they are compared in: the limit's, or their own where that is a percentage."""
    ratio = limit.basis in ("spread_percent", "percent_of_model", "percent_of_start")
    unit = reading.unit if ratio else limit.unit
    found = []
    for measured in reading.values:
        value = measured.value
        if value < 0 and not may_be_negative(reading.unit):
            raise InvalidReading(f"value {value:g} {reading.unit} is below zero: check the reading and the unit")
        if is_temperature(reading.unit) and convert(value, reading.unit, "degC") < ABSOLUTE_ZERO_CELSIUS:
            raise InvalidReading(f"value {value:g} {reading.unit} is below absolute zero: check the unit")
        if is_resistance(reading.unit):
            value = max(0.0, value - convert(reading.lead_resistance_ohm, "ohm", reading.unit))
        value = convert(value, reading.unit, unit)
        found.append((value, math.inf) if measured.over_range else (value, value))
    return found


def _measures(values: Sequence[Interval], reading: Reading, limit: Limit) -> list[Interval]:
    """What the limit compares: each value of a set, or one number for the set."""
    if limit.basis == "value" or _is_worked_out(limit, reading):
        return list(values)
    if limit.basis in ("spread", "spread_percent"):
        return [_spread(values, reading, limit)]
    if reading.reference is None:
        raise InvalidReading(f"limit {limit.id}: reference is missing")
    ratio = limit.basis.startswith("percent")
    low, high = (r if ratio else convert(r, reading.unit, limit.unit) for r in reading.reference)
    if ratio and low <= 0:
        raise InvalidReading(f"reference must be above 0 to take a percentage of it, not {low:g}")
    return [(_against(v[0], low, high, limit.basis), _against(v[1], low, high, limit.basis)) for v in values]


def _against(value: float, low: float, high: float, basis: str) -> float:
    """One value measured against the reference range."""
    if basis.startswith("percent"):
        nearest = min(max(value, low), high)
        return 100.0 if nearest == value else 100 * value / nearest
    if basis == "outside_model":
        return max(low - value, value - high, 0.0)
    if basis == "inside_model_tight_edge":
        return value - low if value <= high else high - value
    return value - low


def _spread(values: Sequence[Interval], reading: Reading, limit: Limit) -> Interval:
    if len(values) < 2:
        raise InvalidReading(f"limit {limit.id}: a spread needs at least two values; give the whole set")
    lows, highs = [v[0] for v in values], [v[1] for v in values]
    least = max(0.0, max(lows) - min(highs))
    most = max(highs) - min(lows)
    percent = limit.basis == "spread_percent"
    resolution = reading.resolution if percent else convert(reading.resolution, reading.unit, limit.unit)
    if most <= resolution * (1 + 1e-9):
        return 0.0, 0.0
    if not percent:
        return least, most
    mean = float(np.mean(lows))
    if mean == 0:
        raise InvalidReading("all values are 0: a spread in per cent of them says nothing; check the meter")
    return 100 * least / mean, 100 * most / mean


def _verdict_over(measure: Interval, limit: Limit) -> Verdict:
    """The one verdict of every value in the interval, else inconclusive."""
    low, high = measure
    if low == high:
        return _verdict_at(low, limit)
    inside = [b for b in limit.bounds if low < b < high]
    probes = [math.nextafter(low, math.inf), high, *inside, *(math.nextafter(b, math.inf) for b in inside)]
    verdicts = {_verdict_at(p, limit) for p in probes}
    return verdicts.pop() if len(verdicts) == 1 else Verdict.INCONCLUSIVE


def _verdict_at(value: float, limit: Limit) -> Verdict:
    if _inside(value, limit.pass_low, limit.pass_high, includes=limit.pass_includes_bounds):
        return Verdict.PASS
    banded = limit.marginal_low is not None or limit.marginal_high is not None
    if banded and _inside(value, limit.marginal_low, limit.marginal_high, includes=limit.marginal_includes_bounds):
        return Verdict.MARGINAL
    return Verdict(limit.beyond)


def _inside(value: float, low: float | None, high: float | None, *, includes: bool) -> bool:
    """Bounds are met to a billionth, so that 0.1 + 0.2 V does not fail a limit of 0.3 V."""
    for bound, sign in ((low, 1), (high, -1)):
        if bound is None:
            continue
        margin = sign * (value - bound)
        at_bound = math.isclose(value, bound, rel_tol=1e-9, abs_tol=1e-12)
        if not (margin > 0 and not at_bound) and not (includes and at_bound):
            return False
    return True


def _at_temperature(limit: Limit, celsius: float | None) -> tuple[Limit, tuple[str, ...]]:
    """Low bounds moved to the ambient temperature, held at the ends of the points on file."""
    if not limit.temperature_points:
        return limit, ()
    if celsius is None:
        return limit, (f"ambient temperature not noted: judged at {LIMITS_STAND_AT_CELSIUS:g} °C",)
    at, value = zip(*sorted(limit.temperature_points), strict=True)
    shift = float(np.interp(celsius, at, value) - np.interp(LIMITS_STAND_AT_CELSIUS, at, value))
    low = {n: b + shift for n in ("pass_low", "marginal_low") if (b := getattr(limit, n)) is not None}
    note = f"limits at {celsius:g} °C: {shift:+.2g} {limit.unit}" if shift else ""
    return replace(limit, **low), (note,) if note else ()


def _judge_open(reading: Reading, limit: Limit) -> Judgement:
    """A limit that asks for an open circuit."""
    if all(m.over_range for m in reading.values):
        return Judgement(Verdict.PASS, None, limit, "over-range, as it should be")
    return Judgement(Verdict.FAIL, None, limit, "a stable reading where the circuit should be open")


def _undecided(limit: Limit | None, reason: str) -> Judgement:
    return Judgement(Verdict.INCONCLUSIVE, None, limit, reason)


def _words(verdict: Verdict, measure: Interval, limit: Limit) -> str:
    low, high = measure
    shown = f"{low:.4g} {limit.unit}" if low == high else f"above {low:.4g} {limit.unit}"
    if verdict is Verdict.INCONCLUSIVE:
        return f"{shown}: the range is too small to judge; use a higher one"
    band = _band(limit.pass_low, limit.pass_high)
    return f"{shown}; passes {band} {limit.unit}"


def _band(low: float | None, high: float | None) -> str:
    if low is not None and high is not None:
        return f"{low:.4g} to {high:.4g}"
    return f"from {low:.4g}" if low is not None else f"up to {high:.4g}" if high is not None else "always"
