"""Calibration and recovery on a small seeded world of known truth (tests.worlds.simulate); everything invented.

The full table over many worlds and sizes is what `python -m tests.worlds.evaluate` prints; here a bound that a fault
in the model, the simulator or the risk would break, with room for the noise of one small world.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.component_fit import ComponentFit
from analytics.pooling import fit_components
from analytics.spread_prior import SPREAD_SCALES, pooled_spread_prior
from tests.worlds.evaluate import Answers, ask, ask_pooled, ece, fit_world, inside, measures, slope
from tests.worlds.simulate import World, WorldSettings, make_world

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def world() -> World:
    return make_world(1001, WorldSettings(machines=500, components=24))


@pytest.fixture(scope="module")
def fits(world: World) -> list[ComponentFit]:
    return fit_world(world)


@pytest.fixture(scope="module")
def answers(world: World, fits: list[ComponentFit]) -> Answers:
    return ask(world, fits, 1001, count=150)


def test_intervals_hold_as_often_as_they_say(answers: Answers) -> None:
    assert 0.74 < inside(answers.truth, answers.low80, answers.high80) < 0.88
    assert 0.91 < inside(answers.truth, answers.low95, answers.high95) < 0.985


def test_chances_are_neither_too_bold_nor_too_shy(answers: Answers) -> None:
    assert 0.93 < slope(answers.truth, answers.value) < 1.07
    assert ece(answers.truth, answers.value) < 0.8
    assert answers.truth.sum() / answers.value.sum() == pytest.approx(1.0, abs=0.07)


def test_models_without_data_are_covered_too(answers: Answers) -> None:
    unseen = answers.known_as != "model"
    assert unseen.sum() > 100
    assert inside(answers.truth[unseen], answers.low95[unseen], answers.high95[unseen]) > 0.85


def test_unknown_starts_are_covered_too(answers: Answers) -> None:
    mine = answers.unknown_start
    assert mine.sum() > 100
    assert inside(answers.truth[mine], answers.low95[mine], answers.high95[mine]) > 0.88
    assert answers.truth[mine].sum() / answers.value[mine].sum() == pytest.approx(1.0, abs=0.12)


def test_pooling_by_model_beats_one_pooled_curve(world: World, answers: Answers) -> None:
    base = ask_pooled(world, fit_world(world, one_cell=True), 1001, count=150)
    own = measures(answers, base)
    assert own["saved"] > 40
    assert own["regret"] < 0.6 * own["regret_pooled"]


def test_the_clock_that_wears_the_part_is_found(world: World, fits: list[ComponentFit]) -> None:
    told = [
        (f.mean_clock_weight, t.clock_weight) for f, t in zip(fits, world.truths, strict=True) if f.evidence[-1, 0] > 40
    ]
    assert len(told) > 10
    assert np.mean([abs(a - b) <= 0.26 for a, b in told]) > 0.85


def test_spreads_are_learnt_from_all_components() -> None:
    wide = make_world(77, WorldSettings(machines=500, components=16, spread_model=0.45, spread_family=0.1))
    names = [t.name for t in wide.truths]
    spells = dict(zip(names, wide.spells, strict=True))
    fits, learnt = fit_components(spells, {t.name: t.prior for t in wide.truths})
    again = pooled_spread_prior([f.own_spreads for f in fits.values()])
    assert again.centre == learnt.centre
    assert 0.3 < np.exp(learnt.centre["model"]) < 0.65
    assert np.exp(learnt.centre["family"]) < 0.3 == SPREAD_SCALES["family"]
    assert pooled_spread_prior([]).centre == {}
