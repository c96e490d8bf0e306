"""What followed a landmark, on one machine whose days and distances can be worked by head."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.errors import InvalidObservations
from analytics.followed import Ending, covers, endings, window_from
from analytics.life_model_types import Horizon
from analytics.spells import Cell, Outcome, Spells

DAYS, KM = np.array([0.0, 100.0, 300.0, 500.0]), np.array([0.0, 1000.0, 5000.0, 6000.0])


def window(start=100.0, watched_to=500.0, km=None, days=300.0, rate=10.0):
    return window_from(DAYS, KM, start, watched_to, Horizon(km, days), rate)


def spell(outcome, exit_days, lower_days=np.nan, weight=1.0):
    """A part watched from day 50 on."""
    one = Spells.empty((Cell("Tindrake", "TD-T2", "Lanner 650"),))
    columns = {name: np.zeros(1, dtype=value.dtype) for name, value in vars(one).items() if name[0] != "_"
               and isinstance(value, np.ndarray)}  # fmt: skip
    return replace(
        one, **columns | {
            "entry_days": np.array([50.0]), "exit_days": np.array([exit_days]), "lower_days": np.array([lower_days]),
            "outcome": np.array([int(outcome)]), "weight": np.array([weight]),
        },
    )  # fmt: skip


def test_the_horizon_ends_with_the_first_clock_to_get_there():
    by_days = window(km=50_000.0, days=150.0)
    assert (by_days.end_days, by_days.complete, by_days.horizon_days) == (250.0, True, 150.0)
    by_km = window(km=2000.0)  # 1,000 km on day 100, 3,000 km half way between 100 and 300
    assert (by_km.end_days, by_km.complete, by_km.horizon_days) == (200.0, True, 100.0)


def test_the_last_visit_cuts_the_window_and_the_rate_carries_the_horizon_on():
    cut = window(watched_to=300.0, km=8000.0, days=700.0, rate=10.0)
    assert (cut.end_days, cut.complete, cut.horizon_days) == (300.0, False, 700.0)
    assert window(watched_to=300.0, km=8000.0, days=700.0, rate=20.0).horizon_days == 400.0
    assert window(start=300.0, watched_to=300.0) is None


def test_a_path_that_runs_backwards_is_refused():
    with pytest.raises(InvalidObservations, match="path"):
        window_from(DAYS, KM[::-1], 0.0, 500.0, Horizon(None, 10.0), 1.0)


def test_a_failure_inside_the_window_could_have_been_seen_until_its_end():
    assert endings(spell(Outcome.FAILED, 200.0), 0, window(), 0.5) == [Ending(True, True, 1.0, 100.0, 300.0, 4500.0)]


@pytest.mark.parametrize("outcome", [Outcome.FAILED, Outcome.CENSORED])
def test_what_ends_after_the_window_is_good_to_its_end(outcome):
    good = Ending(False, True, 1.0, 300.0, 300.0, 4500.0)
    assert endings(spell(outcome, 450.0), 0, window(), 0.5) == [good]


def test_a_removal_inside_the_window_is_watched_to_the_removal():
    removed = Ending(False, False, 1.0, 100.0, 100.0, 2000.0)
    assert endings(spell(Outcome.CENSORED, 200.0), 0, window(), 0.5) == [removed]


def test_the_end_of_watching_is_censoring_and_the_horizon_is_not():
    cut = window(watched_to=300.0)
    assert [e.complete for e in endings(spell(Outcome.CENSORED, 300.0), 0, cut, 0.5)] == [False]
    whole = window(watched_to=400.0)
    assert [e.complete for e in endings(spell(Outcome.CENSORED, 400.0), 0, whole, 0.5)] == [True]


def test_a_failure_found_at_a_check_is_shared_out_evenly():
    """Good on day 60, found failed on day 460: 40 of 400 days before the window, 300 in it, 60 after it."""
    found = endings(spell(Outcome.FAILED_BETWEEN, 460.0, 60.0, weight=0.5), 0, window(), 0.5)
    assert [(e.failed, e.complete, pytest.approx(e.weight)) for e in found] == [
        (True, True, 0.5 * 300 / 400), (False, True, 0.5 * 60 / 400)]  # fmt: skip
    assert found[0].known_days == 150.0
    inside = endings(spell(Outcome.FAILED_BETWEEN, 300.0, 200.0), 0, window(), 0.5)
    assert inside == [Ending(True, True, 1.0, 150.0, 300.0, 4500.0)]
    later = endings(spell(Outcome.FAILED_BETWEEN, 480.0, 420.0), 0, window(), 0.5)
    assert later == [Ending(False, True, 1.0, 300.0, 300.0, 4500.0)]


def test_a_renewal_without_a_reason_is_a_failure_by_the_share_given():
    both = endings(spell(Outcome.RENEWED_REASON_UNKNOWN, 200.0), 0, window(), 0.75)
    assert [(e.failed, e.complete, e.weight, e.span_days) for e in both] == [
        (True, True, 0.75, 300.0), (False, False, 0.25, 100.0)]  # fmt: skip
    assert len(endings(spell(Outcome.RENEWED_REASON_UNKNOWN, 200.0), 0, window(), 1.0)) == 1


@pytest.mark.parametrize(("start", "yes"), [(49.0, False), (50.0, True), (199.0, True), (200.0, False)])
def test_a_part_counts_while_it_is_watched_and_works(start, yes):
    assert covers(spell(Outcome.FAILED, 200.0), 0, window(start=start)) is yes
