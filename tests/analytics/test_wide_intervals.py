"""Failures found at checks that lie far apart; expected values by the exact likelihood, written out here."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.pooling import fit_component
from analytics.wide_intervals import remainder
from tests.worlds.simulate import WorldSettings, make_world, pooled


def test_the_remainder_and_its_derivatives() -> None:
    passed = np.array([1e-3, 0.04, 0.0499, 0.0501, 0.5, 3.0, 12.0])
    value, first, second = remainder(passed)
    exact = np.log(-np.expm1(-passed)) - np.log(passed) + passed / 2
    assert value == pytest.approx(exact, rel=1e-3, abs=1e-9)
    step = 1e-4
    up, down = (remainder(passed * np.exp(s)) for s in (step, -step))
    inner = [0, 1, 4, 5, 6]  # away from where the series gives way to the closed form
    assert first[inner] == pytest.approx((up[0] - down[0])[inner] / (2 * step), rel=2e-3, abs=1e-8)
    assert second[inner] == pytest.approx((up[1] - down[1])[inner] / (2 * step), rel=2e-3, abs=1e-6)


@pytest.mark.slow
def test_short_lives_between_checks_keep_their_shape() -> None:
    """Halfway failures made these shapes a twentieth too flat: simulated, one life for all models, so known."""
    same = WorldSettings(
        machines=2000, components=16, rider_frailty=0, shop_frailty=0, shape_spread=0, unknown_start=0, scheduled=0,
        spread_make=1e-6, spread_family=1e-6, spread_model=1e-6, life_years=(3.0, 8.0),
    )  # fmt: skip
    world = make_world(1003, same)
    found = []
    for spells, truth in zip(world.spells, world.truths, strict=True):
        if truth.hidden:
            fit = fit_component(pooled(spells), truth.prior)
            found.append(np.log(fit.shape.astype(float) @ fit.copies / fit.copies.sum() / truth.shape[0]))
    assert len(found) == 4
    assert abs(np.mean(found)) < 0.035
