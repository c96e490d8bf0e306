"""Rules around the table: papers and hearsay, what brings a machine in, doubles, doubts, positions, clocks."""

from datetime import date

import numpy as np
import pytest

from analytics.spells import Outcome, Removal
from analytics.unit_life import Event, Watch, live
from tests.analytics.history_cases import line, spells_of

FIRST = line(date(2012, 1, 1), 10_000, "seen")
LAST = line(date(2016, 1, 1), 40_000, "seen")
MID = date(2014, 1, 1)


def test_the_failure_that_brought_the_machine_in_is_left_out():
    spells = spells_of(line(date(2012, 1, 1), 10_000, "renewed", "failed"), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED]
    assert (spells.start_km[0], spells.entry_km[0]) == (10_000, 10_000)


def test_a_history_that_ends_on_a_failure_does_not_count_it():
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed"))
    assert spells.outcome.tolist() == [Outcome.CENSORED]
    assert spells.removal.tolist() == [Removal.FAILED]


def test_a_last_visit_that_was_also_a_service_keeps_its_failure():
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed"), line(MID, 25_000, "seen"))
    assert spells.outcome.tolist() == [Outcome.FAILED]


@pytest.mark.parametrize("source", ["papers", "told"])
def test_papers_place_a_start_and_are_never_failures(source):
    before = line(date(2011, 1, 1), 5_000, "renewed", "failed", source=source)
    spells = spells_of(before, FIRST, LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED]
    assert (spells.start_km[0], spells.start_days[0]) == (5_000, 365)
    assert (spells.entry_km[0], spells.entry_days[0]) == (10_000, 730)


def test_papers_of_work_done_elsewhere_meanwhile_censor_and_restart():
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed", source="papers"), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.CENSORED]
    assert spells.removal.tolist() == [Removal.RENEWED_ELSEWHERE, Removal.STILL_FITTED]
    assert spells.start_km[1] == 25_000


def test_renewed_by_a_former_owner_nobody_knows_when():
    spells = spells_of(line(None, None, "renewed", source="told"), FIRST, LAST)
    assert np.isnan(spells.start_km[0]) and spells.not_original[0]


def test_told_to_be_original_starts_at_zero():
    spells = spells_of(line(None, None, "original", source="told"), FIRST, LAST)
    assert (spells.start_km[0], spells.start_days[0], spells.entry_km[0]) == (0, 0, 10_000)


def test_two_lines_for_one_job_are_one_event():
    again = line(date(2014, 1, 8), 25_200, "renewed", "failed")
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed"), again, LAST)
    assert spells.outcome.tolist() == [Outcome.FAILED, Outcome.CENSORED]
    assert spells.start_km[1] == 25_200


@pytest.mark.parametrize(("day", "km"), [(date(2014, 1, 20), 25_200), (date(2014, 1, 8), 25_400)])
def test_outside_14_days_or_300_km_it_is_a_second_event(day, km):
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed"), line(day, km, "renewed", "failed"), LAST)
    assert spells.outcome.tolist() == [Outcome.FAILED, Outcome.FAILED, Outcome.CENSORED]


def test_checked_bad_ends_the_life_where_it_was_found():
    spells = spells_of(
        FIRST, line(date(2013, 1, 1), 18_000, "checked_bad"), line(MID, 25_000, "renewed", "failed"), LAST
    )
    assert spells.outcome.tolist() == [Outcome.FAILED_BETWEEN, Outcome.CENSORED]
    assert (spells.exit_km[0], spells.start_km[1]) == (18_000, 25_000)


def test_a_renewal_in_doubt_is_out_of_the_fit_and_breaks_the_history():
    good = line(date(2013, 1, 1), 18_000, "checked_good")
    spells = spells_of(FIRST, good, line(MID, 25_000, "renewed", "failed", doubt=True), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.CENSORED]
    # Its reading is not trusted either: 365 of the 1,095 days between the neighbours have gone.
    assert spells.exit_km[0] == 18_000
    assert spells.entry_km[1] == pytest.approx(18_000 + 22_000 * 365 / 1095)
    assert np.isnan(spells.start_km[1]) and spells.not_original[1]


def test_a_line_without_its_side_belongs_half_to_each_on_a_twin():
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed"), LAST, positions=(0, 1))
    failed = spells.outcome == Outcome.FAILED
    assert spells.weight[failed].tolist() == [0.5, 0.5]
    exposure = (spells.weight * (spells.exit_km - spells.entry_km)).sum()
    assert exposure == pytest.approx(2 * 30_000)


def test_many_lines_without_their_side_break_the_history_off():
    lines = [line(date(2012 + k, 6, 1), 12_000 + 6_000 * k, "renewed", "failed") for k in range(3)]
    spells = spells_of(FIRST, *lines, LAST, positions=(0, 1))
    assert (spells.outcome == Outcome.CENSORED).all()
    assert np.isnan(spells.start_km).all()


def test_distance_runs_on_over_a_change_of_clock():
    swap = date(2013, 1, 1)
    spells = spells_of(
        line(date(2012, 1, 1), 10_000, "original"),
        line(swap, 31_000, "seen"),
        line(swap, 9_000, "clock_changed"),
        line(MID, 12_000, "renewed", "failed"),
        line(date(2016, 1, 1), 20_000, "seen"),
    )
    assert spells.exit_km.tolist() == [34_000, 42_000]


def test_an_unread_old_clock_breaks_every_part_off():
    swap = date(2013, 1, 1)
    spells = spells_of(
        line(date(2012, 1, 1), 10_000, "original"),
        line(swap, 0, "clock_changed", doubt=True),
        line(MID, 5_000, "checked_good"),
        line(date(2016, 1, 1), 20_000, "seen"),
    )
    # At 10,000 km in 730 days the machine had run about 15,014 km when the clock went (1,096 days).
    assert spells.outcome.tolist() == [Outcome.CENSORED]
    assert np.isnan(spells.start_km[0])
    assert spells.entry_km[0] == pytest.approx(10_000 / 730 * 1096)


def test_a_missing_reading_lies_between_its_neighbours():
    spells = spells_of(FIRST, line(date(2014, 1, 1), None, "renewed", "failed"), LAST)
    # 731 of the 1,461 days between first and last sight have gone: 10,000 + 30,000 * 731 / 1461.
    assert spells.exit_km[0] == pytest.approx(10_000 + 30_000 * 731 / 1461)


def test_a_machine_that_no_card_saw_gives_nothing():
    assert len(spells_of(line(date(2011, 1, 1), 5_000, "renewed", source="papers"))) == 0


def test_a_superseded_part_belongs_to_the_issue_of_the_day_it_was_fitted():
    change = float(date(2013, 9, 1).toordinal())
    spells = spells_of(
        line(date(2012, 1, 1), 10_000, "original"), line(MID, 25_000, "renewed", "failed"), LAST, changes=(change,)
    )
    assert spells.stratum.tolist() == [0, 1]


def test_neither_clock_runs_backwards_where_a_date_is_only_a_month() -> None:
    month = date(2014, 1, 16)  # the middle of 2014-01, of which the reading was taken later
    spells = spells_of(
        FIRST,
        line(month, 25_400, "renewed", "failed", card=1),
        line(date(2014, 1, 20), 25_000, "checked_good", card=2),
        LAST,
    )
    assert spells.exit_km.tolist() == [25_400, 40_000]
    spells.check()


def test_a_line_without_date_and_reading_stays_unplaced() -> None:
    spells = spells_of(line(None, None, "renewed", source="told"), FIRST, LAST)
    assert np.isnan(spells.start_days[0])


@pytest.mark.parametrize(("then", "alive"), [("checked_bad", False), ("checked_good", True), ("repaired", True)])
def test_what_was_told_of_a_part_before_first_sight_holds_now(then: str, alive: bool) -> None:
    watch = Watch(10_000, 730, 10_000, 730, False, False, (), ())
    events = [Event(8_000, 600, then, "unknown", "papers", 0, False)]
    now = live(events, watch, shown_by_running=False).now
    assert now.alive is alive
    assert (now.last_good_days == 600) is alive


def test_a_part_told_bad_before_first_sight_is_not_watched_until_it_is_renewed() -> None:
    bad = line(date(2011, 12, 1), 9_500, "checked_bad", source="papers")
    spells = spells_of(bad, FIRST, line(MID, 25_000, "renewed", "failed"), LAST)
    assert spells.entry_km.tolist() == [25_000]
