"""Each planted life can be read back from what really happened, by a library or by a sum made here.

The fits are lifelines' Weibull with late entry (Kaplan-Meier family, parametric maximum likelihood); the truths are
the numbers in `seed.world_params`, restated here so that a slip there is seen.
"""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import WeibullFitter

from seed.world import World
from tests.seed.world_cases import lives

PLANTED = [
    ("P01", "regulator_rectifier", 1.7, 42_000), ("P02", "regulator_rectifier", 1.5, 130_000),
    ("P05", "charging_connector", 1.3, 60_000), ("P06", "crank_position_sensor", 2.4, 48_000),
    ("P07", "ignition_coil", 1.6, 55_000), ("P08", "ignition_coil", 1.5, 180_000), ("P09", "fuel_pump", 1.8, 70_000),
    ("P10", "cam_chain_tensioner", 3.0, 52_000), ("P11", "cam_chain_tensioner", 3.0, 80_000),
    ("P12", "starter_clutch", 2.0, 38_000), ("P14", "clutch_plates", 2.5, 18_000), ("P16", "cvt_belt", 5.0, 24_000),
    ("P17", "wheel_bearing", 2.5, 32_000), ("P26", "regulator_rectifier", 0.8, 45_000),
]  # fmt: skip


@pytest.mark.parametrize(("effect", "component", "shape", "scale_km"), PLANTED, ids=[row[0] for row in PLANTED])
def test_fit_of_the_true_lives_gives_the_planted_life(
    world: World, effect: str, component: str, shape: float, scale_km: float
) -> None:
    one = lives(world, effect, component)
    # A hazard multiplied by h is the same Weibull life on a clock that runs h^(1/shape) times as fast.
    clock = one["hazard"] ** (1 / shape)
    entry, exit_ = one["entry"] * clock, one["exit"] * clock
    moved = exit_ > entry
    fit = WeibullFitter().fit(exit_[moved], one["failed"][moved], entry=entry[moved])
    error = fit.summary["se(coef)"]
    assert fit.rho_ == pytest.approx(shape, abs=3 * error["rho_"])
    assert fit.lambda_ == pytest.approx(scale_km, abs=3 * error["lambda_"])
    assert error["rho_"] < 0.35 * shape, "so wide an error would accept anything"


def test_p19_clocks_of_2015_fail_early(world: World) -> None:
    one = lives(world, "P19", "instrument_cluster", "days")
    expected = np.sum(one["hazard"] * ((one["exit"] / (30 * 365.25)) ** 0.7 - (one["entry"] / (30 * 365.25)) ** 0.7))
    assert one["failed"].sum() == pytest.approx(expected, abs=3 * np.sqrt(expected))


def test_p18_shrike_regulators_live_as_the_catalogue_says(world: World) -> None:
    """Observed against expected failures from the two competing causes; Poisson error."""
    km, days = lives(world, "P18", "regulator_rectifier"), lives(world, "P18", "regulator_rectifier", "days")
    spent = [
        ((one[end] / scale) ** 1.5) for one, scale in ((km, 150_000), (days, 40 * 365.25)) for end in ("exit", "entry")
    ]
    expected = np.sum(km["hazard"] * (spent[0] - spent[1] + spent[2] - spent[3]))
    assert km["failed"].sum() == pytest.approx(expected, abs=3 * np.sqrt(expected))
