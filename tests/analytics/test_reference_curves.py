"""Kaplan-Meier and Nelson-Aalen against R survival 3.5-3 (survfit), lifelines 0.30.3 and surpyval 0.25.

The literals agree in all three programs to the digits given; data and their sources: tests/reference/README.md.
"""

import lifelines
import numpy as np
import pytest
from lifelines.exceptions import StatError

from analytics.curves import kaplan_meier, nelson_aalen
from tests.reference import data


def test_diesel_fans_survival_and_greenwood_error():
    curve = kaplan_meier(0, *data.genfan())
    hours = [1150, 2070, 3000, 4600, 8750]
    survival = [0.9567226891, 0.9077491920, 0.8906218487, 0.8272342445, 0.7070378158]
    error = [0.02444182, 0.03607276, 0.03924812, 0.05099990, 0.09804198]
    assert curve.at(hours) == pytest.approx(survival, rel=1e-9)
    assert curve.std_error_at(hours) == pytest.approx(error, rel=2e-7)
    assert curve.emptied_at is None and curve.notes == ()


def test_diesel_fans_hazard():
    hazard = [0.0436974790, 0.0954457307, 0.1143136553, 0.1872242379, 0.3367968875]
    assert nelson_aalen(0, *data.genfan()).at([1150, 2070, 3000, 4600, 8750]) == pytest.approx(hazard, rel=1e-9)


def test_shock_absorbers_survival_at_the_last_failure():
    curve = kaplan_meier(0, *data.shock_absorbers())
    assert curve.at(27490) == pytest.approx(0.2873759005, rel=1e-9)
    assert curve.std_error_at(27490) == pytest.approx(0.1510890, rel=1e-6)


@pytest.mark.parametrize(
    ("gender", "units", "survival"),
    [
        (1, 96, [1, 0.8045311, 0.6377614, 0.4543733, 0.2227073]),
        (2, 362, [0.9346889, 0.8649333, 0.7408080, 0.5004204, 0.2939948]),
    ],
)
def test_retirement_centre_given_alive_at_816_months(gender, units, survival):
    entry, exit_, death = data.channing(gender)
    curve = kaplan_meier(entry, exit_, death, condition_at=816)
    assert len(exit_) == units
    assert curve.at([840, 900, 960, 1020, 1080]) == pytest.approx(survival, abs=1e-7)


@pytest.mark.parametrize(
    ("gender", "hazard"),
    [
        (1, [1.5, 1.7135227, 1.9424723, 2.2750151, 2.9673146]),
        (2, [0.1143773, 0.1915401, 0.3458236, 0.7353740, 1.2582462]),
    ],
)
def test_retirement_centre_hazard_with_late_entry(gender, hazard):
    curve = nelson_aalen(*data.channing(gender))
    assert curve.at([840, 900, 960, 1020, 1080]) == pytest.approx(hazard, abs=1e-7)


def test_risk_set_that_runs_empty_is_flagged_and_cured_by_conditioning():
    entry, exit_, death = data.channing(1)
    curve = kaplan_meier(entry, exit_, death)
    assert curve.emptied_at == 781 and curve.at(900) == 0
    assert any("Condition on a later age" in note for note in curve.notes)
    assert kaplan_meier(entry, exit_, death, condition_at=816).emptied_at is None


def test_psychiatric_inpatients_by_age():
    survival = [1, 0.9090909, 0.6963055, 0.5538793, 0.2907867]
    assert kaplan_meier(*data.psych()).at([40, 50, 60, 65, 70]) == pytest.approx(survival, abs=1e-7)


@pytest.mark.parametrize(
    ("name", "years", "survival"),
    [
        ("power_transformer", [10, 20, 30, 40, 50], [0.9956941, 0.9753101, 0.9516612, 0.9106544, 0.8484233]),
        ("circuit_breaker", [20, 30, 40, 50], [0.9806954, 0.9622053, 0.9237449, 0.8357065]),
    ],
)
def test_grid_assets_with_late_entry(name, years, survival):
    assert kaplan_meier(*data.grid_assets(name)).at(years) == pytest.approx(survival, abs=1e-7)


def test_hazard_where_lifelines_default_is_wrong():
    """By hand and in R: 7/3. lifelines' default smoothing says 4.417; without it 7/3; its Kaplan-Meier raises."""
    entry = [0, 20000, 25000, 30000, 31000, 40000]
    exit_ = [1000, 30000, 42000, 51000, 60000, 70000]
    death = [1, 1, 0, 1, 1, 0]
    ours = nelson_aalen(entry, exit_, death)
    assert ours.at(60000) == pytest.approx(7 / 3, rel=1e-12)
    assert ours.emptied_at == 1000
    plain = lifelines.NelsonAalenFitter(nelson_aalen_smoothing=False).fit(exit_, death, entry=entry)
    assert plain.cumulative_hazard_.iloc[-1, 0] == pytest.approx(7 / 3)
    default = lifelines.NelsonAalenFitter().fit(exit_, death, entry=entry)
    assert default.cumulative_hazard_.iloc[-1, 0] > 4
    with pytest.raises(StatError):
        lifelines.KaplanMeierFitter().fit(exit_, death, entry=entry)


def test_agrees_with_lifelines_on_late_entry_ties_and_weights():
    rng = np.random.default_rng(11)
    entry = np.append(0, rng.integers(0, 30, 400))
    exit_ = entry + rng.integers(1, 40, 401)
    death, weight = rng.random(401) < 0.5, rng.integers(1, 4, 401)
    entry[:60] = 0  # a broad start, so that no risk set runs empty and lifelines answers
    ours = kaplan_meier(entry, exit_, death, weight)
    theirs = lifelines.KaplanMeierFitter().fit(exit_, death, entry=entry, weights=weight)
    ages = np.arange(1, 55)
    assert ours.at(ages) == pytest.approx(theirs.survival_function_at_times(ages).to_numpy(), rel=1e-9)
    bounds = theirs.confidence_interval_.reindex(ages, method="ffill").to_numpy()
    low, high = ours.interval_at(ages)
    assert low == pytest.approx(bounds[:, 0], rel=1e-8)
    assert high == pytest.approx(bounds[:, 1], rel=1e-8)
