"""Bends read side by side say what each says alone (`Bend`, whose own values `test_baseline` holds)."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.baseline import Bend
from analytics.bends import Bends

DRAWS = 40


@pytest.fixture(scope="module")
def alone() -> list[Bend]:
    """Three bends of different numbers of bins, one of them with early failures, and different ends."""
    rng = np.random.default_rng(11)
    edges = ([0.0, 0.02, 0.3, 1.1, 2.4], [0.0, 0.6], [0.0, 0.001, 0.05, 0.9])
    return [
        Bend.of(np.array(e), rng.gamma(4.0, 0.3, (len(e) - 1, DRAWS)), shape)
        for e, shape in zip(edges, (2.2, 1.0, 3.5), strict=True)
    ]


WHICH = np.array([2, 0, 1, 1, 0])


@pytest.fixture(scope="module")
def hazard() -> np.ndarray:
    """From far below the first edge to far past the last, and on edges."""
    values = np.random.default_rng(12).uniform(np.log(1e-5), np.log(9.0), (len(WHICH), DRAWS, 6))
    out = np.exp(values)
    out[:, :, 0] = 0.6
    return out


def test_drawn(alone: list[Bend], hazard: np.ndarray) -> None:
    expected = [alone[b].drawn(h) for b, h in zip(WHICH, hazard, strict=True)]
    np.testing.assert_allclose(Bends(alone).drawn(hazard, WHICH), expected, rtol=1e-12)


def test_mean(alone: list[Bend], hazard: np.ndarray) -> None:
    expected = [alone[b].mean(h) for b, h in zip(WHICH, hazard, strict=True)]
    np.testing.assert_allclose(Bends(alone).mean(hazard, WHICH), expected, rtol=1e-12)
    assert (hazard > 2.4).any()  # past all data


def test_both_at_once(alone: list[Bend], hazard: np.ndarray) -> None:
    bends = Bends(alone)
    drawn, mean = bends.drawn_and_mean(hazard, WHICH)
    np.testing.assert_array_equal(drawn, bends.drawn(hazard, WHICH))
    np.testing.assert_array_equal(mean, bends.mean(hazard, WHICH))
    assert np.abs(drawn - mean).max() > 0.1
