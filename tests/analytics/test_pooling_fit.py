"""The fitted life model: nothing in, prior out; little in, honest; much in, the truth."""

from __future__ import annotations

import json

import numpy as np
import pytest

from analytics.component_fit import ComponentFit
from analytics.errors import InvalidObservations
from analytics.life_model_types import LifePrior
from analytics.pooling import fit_component
from analytics.risk import RiskTable, life_summary
from analytics.spells import Cell
from tests.analytics.pooling_cases import make_spells, no_spells, weibull_spells

PRIOR = LifePrior(2.0, scale_years=10.0)
CELLS = (Cell("A", "A1", "a"), Cell("A", "A1", "b"), Cell("A", "", "c"), Cell("B", "B1", "d"))


@pytest.fixture(scope="module")
def fitted() -> ComponentFit:
    rng = np.random.default_rng(11)
    cell = rng.choice(4, 600, p=[0.7, 0.05, 0.15, 0.1])
    return fit_component(weibull_spells(rng, 600, 2.5, 8.0, cell=cell, cells=CELLS), PRIOR, component="part")


def test_without_records_the_answer_is_the_catalogue_prior() -> None:
    summary = life_summary(fit_component(no_spells(), PRIOR, component="part"), CELLS[0])
    # the middle of log-normal priors is their centre; 90 % of the component's life times the spread between models
    assert summary.scale.value == pytest.approx(10.0, rel=0.05)
    assert summary.shape.value == pytest.approx(2.0, rel=0.05)
    sd = np.sqrt(np.log(1.6) ** 2 + 0.12**2 + 0.3**2 + 0.2**2)
    assert np.log(summary.scale.high / summary.scale.low) == pytest.approx(2 * 1.645 * sd, rel=0.15)
    assert np.log(summary.shape.high / summary.shape.low) == pytest.approx(2 * 1.645 * 0.3, rel=0.15)
    assert summary.evidence.prior_weight == pytest.approx(1.0, abs=0.1)
    assert summary.evidence.failures == summary.evidence.machines == 0
    assert summary.evidence.known_as == "component"


def test_much_data_find_the_truth(fitted: ComponentFit) -> None:
    summary = life_summary(fitted, CELLS[0], level=0.95)
    assert summary.scale.low < 8.0 < summary.scale.high
    assert summary.shape.low < 2.5 < summary.shape.high
    assert summary.scale.high / summary.scale.low < 1.5
    assert summary.evidence.prior_weight < 0.1
    assert summary.evidence.known_as == "model"


def test_the_less_is_known_the_wider_the_answer(fitted: ComponentFit) -> None:
    asked = [CELLS[0], CELLS[1], Cell("A", "A1", "new"), Cell("A", "A9", "new"), Cell("Z", "", "new")]
    found = [life_summary(fitted, c) for c in asked]
    widths = [np.log(s.scale.high / s.scale.low) for s in found]
    assert widths == sorted(widths)
    assert [s.evidence.known_as for s in found] == ["model", "model", "family", "make", "component"]
    weights = [s.evidence.prior_weight for s in found]
    assert weights == sorted(weights)


def test_a_model_asked_for_without_its_family_is_found(fitted: ComponentFit) -> None:
    assert fitted.rows_for(Cell("A", "", "b"), -1, None)[1] == "model"
    assert fitted.rows_for(Cell("A", "A1", "c"), -1, None)[1] == "model"


def test_a_stored_fit_is_the_same_fit(fitted: ComponentFit) -> None:
    text = json.dumps(fitted.to_document())
    again = ComponentFit.from_document(json.loads(text))
    for name in ("mean", "variance", "rate", "shape", "clock_weight", "evidence", "score"):
        np.testing.assert_array_equal(getattr(again, name), getattr(fitted, name))
    one, other = (life_summary(f, CELLS[1]) for f in (fitted, again))
    assert one == other
    with pytest.raises(ValueError, match="refit"):
        ComponentFit.from_document({"format": 0})


def test_no_failures_at_all_lengthen_the_life_and_say_so() -> None:
    quiet = make_spells(0.0, np.full(40, 9 * 365.25), np.zeros(40))
    fit = fit_component(quiet, PRIOR, component="part")
    summary = life_summary(fit, Cell("make", "family", "model"))
    assert summary.scale.value > 14.0
    assert summary.evidence.failures == 0 and summary.evidence.parts == 40
    assert summary.evidence.exposure_years == pytest.approx(360.0)


def test_the_same_seed_gives_the_same_fit() -> None:
    spells = weibull_spells(np.random.default_rng(5), 60, 2.0, 8.0)
    one, other = (fit_component(spells, PRIOR, seed=4) for _ in range(2))
    np.testing.assert_array_equal(one.mean, other.mean)


def test_contradictory_spells_are_refused() -> None:
    with pytest.raises(InvalidObservations, match="exit"):
        fit_component(make_spells([900.0], [100.0], [0]), PRIOR)
    with pytest.raises(InvalidObservations, match="scale_km"):
        LifePrior(2.0)
    with pytest.raises(InvalidObservations, match="shape"):
        LifePrior(-1.0, scale_years=3.0)


def test_a_document_of_sixty_models_stays_small() -> None:
    rng = np.random.default_rng(2)
    cells = tuple(Cell(f"m{i % 8}", f"f{i % 15}", f"model {i}") for i in range(60))
    fit = fit_component(weibull_spells(rng, 900, 2.0, 8.0, cell=rng.integers(60, size=900), cells=cells), PRIOR)
    assert len(json.dumps(fit.to_document())) < 200_000
    assert len(RiskTable.from_fits([fit]).fits) == 1
