"""Every limit shipped can be read into a `Limit` and judges a reading in its own unit."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import pytest

from analytics.judging import judge
from analytics.judging_types import Limit, Measured, Reading
from analytics.outcomes import Verdict
from analytics.units import convert

ENTRIES = json.loads((Path(__file__).parents[2] / "seed" / "catalogue" / "limits.json").read_text(encoding="utf-8"))[
    "limits"
]


def limit_of(entry: dict) -> Limit:
    named = {f.name: entry[f.name] for f in fields(Limit) if f.name in entry}
    points = tuple((p["celsius"], p["value"]) for p in entry["temperature_points"])
    return Limit(**named | {"sources": tuple(entry["sources"]), "temperature_points": points})


def inside_pass_band(limit: Limit) -> float:
    """A value that must pass: the middle of the band, or well inside its one bound."""
    low, high = limit.pass_low, limit.pass_high
    if low is not None and high is not None:
        return (low + high) / 2
    return low * 1.5 + 1 if low is not None else high * 0.5


def beyond_every_band(limit: Limit) -> list[float]:
    """A value on each side on which every band ends."""
    banded = limit.marginal_low is not None or limit.marginal_high is not None
    ends_high = limit.pass_high is not None and not (banded and limit.marginal_high is None)
    ends_low = min(limit.bounds) > 0 and limit.pass_low is not None and not (banded and limit.marginal_low is None)
    return [max(limit.bounds) * 10 + 1] * ends_high + [0.0] * ends_low


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: e["id"])
def test_a_shipped_limit_is_read_and_its_unit_known(entry):
    limit = limit_of(entry)
    assert convert(1.0, limit.unit, limit.unit) == 1.0
    assert limit.bounds or limit.direction == "over_range"


@pytest.mark.parametrize(
    "entry",
    [e for e in ENTRIES if e["basis"] == "value" and e["direction"] not in ("nominal", "over_range")],
    ids=lambda e: e["id"],
)
def test_a_shipped_limit_passes_inside_and_refuses_beyond(entry):
    limit = limit_of(entry)
    good = judge(Reading((Measured(inside_pass_band(limit)),), limit.unit, ambient_celsius=20), limit)
    assert good.verdict is Verdict.PASS
    for far in beyond_every_band(limit):
        assert judge(Reading((Measured(far),), limit.unit, ambient_celsius=20), limit).verdict == limit.beyond


@pytest.mark.parametrize("entry", [e for e in ENTRIES if e["direction"] == "nominal"], ids=lambda e: e["id"])
def test_a_published_single_figure_never_judges(entry):
    limit = limit_of(entry)
    assert judge(Reading((Measured(limit.bounds[0]),), limit.unit), limit).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("entry", [e for e in ENTRIES if e["basis"].startswith("spread")], ids=lambda e: e["id"])
def test_a_shipped_balance_limit_passes_equal_readings(entry):
    limit = limit_of(entry)
    equal = Reading((Measured(10.0), Measured(10.0), Measured(10.0)), "V" if "percent" in limit.basis else limit.unit)
    assert judge(equal, limit).verdict is Verdict.PASS
