"""One test a row of the trade brief's table of what each kind of line does to the life data.

Every machine is new on 2010-01-01, is first seen at 10,000 km on 2012-01-01 (730 days) and last at 40,000 km
on 2016-01-01 (2,191 days). The expected numbers are worked by hand.
"""

from datetime import date

import numpy as np
import pytest

from analytics.spells import Outcome, Quality, Removal
from tests.analytics.history_cases import days, line, spells_of

FIRST = line(date(2012, 1, 1), 10_000, "seen")
LAST = line(date(2016, 1, 1), 40_000, "seen")
MID = date(2014, 1, 1)


def renewed(reason, **more):
    return spells_of(FIRST, line(MID, 25_000, "renewed", reason, **more), LAST)


def assert_two_lives(spells, outcome, removal):
    assert spells.outcome.tolist() == [outcome, Outcome.CENSORED]
    assert spells.removal.tolist() == [removal, Removal.STILL_FITTED]
    assert spells.entry_km.tolist() == [10_000, 25_000]
    assert spells.exit_km.tolist() == [25_000, 40_000]
    assert spells.entry_days.tolist() == [730, 1461]
    assert spells.exit_days.tolist() == [1461, 2191]
    assert np.isnan(spells.start_km[0]) and spells.start_km[1] == 25_000
    assert np.isnan(spells.start_days[0]) and spells.start_days[1] == days(MID) == 1461
    assert spells.weight.tolist() == [1, 1]


def test_failed_in_use_is_an_exact_failure_and_starts_a_new_life():
    assert_two_lives(renewed("failed"), Outcome.FAILED, Removal.FAILED)


def test_found_failed_is_an_interval_from_the_last_check_that_was_good():
    spells = spells_of(
        FIRST,
        line(date(2013, 1, 1), 18_000, "checked_good"),
        line(MID, 25_000, "renewed", "found_failed"),
        LAST,
    )
    assert_two_lives(spells, Outcome.FAILED_BETWEEN, Removal.FOUND_FAILED)
    assert (spells.lower_km[0], spells.lower_days[0]) == (18_000, 1096)


def test_found_failed_without_a_check_goes_back_to_first_sight():
    spells = renewed("found_failed")
    assert_two_lives(spells, Outcome.FAILED_BETWEEN, Removal.FOUND_FAILED)
    assert (spells.lower_km[0], spells.lower_days[0]) == (10_000, 730)


@pytest.mark.parametrize(("shown", "lower"), [(True, 18_000), (False, 10_000)])
def test_being_seen_to_work_counts_only_for_parts_that_running_shows(shown, lower):
    spells = spells_of(
        FIRST,
        line(date(2013, 1, 1), 18_000, "seen"),
        line(MID, 25_000, "renewed", "found_failed"),
        LAST,
        shown_by_running=shown,
    )
    assert spells.lower_km[0] == lower


def test_worn_to_limit_is_an_end_of_life():
    assert_two_lives(renewed("worn_to_limit"), Outcome.FAILED, Removal.WORN_TO_LIMIT)


@pytest.mark.parametrize(
    ("reason", "removal"),
    [
        ("scheduled", Removal.SCHEDULED),  # renewed on schedule, part good
        ("while_apart", Removal.WHILE_APART),  # renewed while access was open
        ("damage", Removal.DAMAGE),  # after accident or misuse
        ("secondary", Removal.SECONDARY),  # another part killed it
        ("upgrade", Removal.UPGRADE),
        ("owner_wish", Removal.OWNER_WISH),
        ("campaign", Removal.CAMPAIGN),
        ("misdiagnosis", Removal.MISDIAGNOSIS),  # replaced in error, fault stayed
    ],
)
def test_removal_for_another_reason_censors_this_cause(reason, removal):
    assert_two_lives(renewed(reason), Outcome.CENSORED, removal)


def test_campaign_part_that_was_found_failed_counts():
    assert_two_lives(renewed("found_failed"), Outcome.FAILED_BETWEEN, Removal.FOUND_FAILED)


def test_reason_never_written_is_not_taken_for_a_failure():
    assert_two_lives(renewed("unknown"), Outcome.RENEWED_REASON_UNKNOWN, Removal.UNKNOWN)


def test_cleaning_keeps_the_part_and_its_start():
    spells = spells_of(
        line(date(2012, 1, 1), 10_000, "original"), line(MID, 25_000, "repaired"), LAST, shown_by_running=True
    )
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.CENSORED]
    assert spells.removal.tolist() == [Removal.REPAIRED, Removal.STILL_FITTED]
    assert spells.start_km.tolist() == [0, 0]
    assert spells.entry_km.tolist() == [10_000, 25_000]
    assert np.isnan(spells.repair_km[0]) and spells.repair_km[1] == 25_000


def test_repair_after_lost_function_is_a_failure_of_the_same_part():
    spells = spells_of(line(date(2012, 1, 1), 10_000, "original"), line(MID, 25_000, "repaired", "failed"), LAST)
    assert spells.outcome.tolist() == [Outcome.FAILED, Outcome.CENSORED]
    assert spells.removal.tolist() == [Removal.REPAIRED, Removal.STILL_FITTED]
    assert spells.start_km.tolist() == [0, 0]


def test_used_part_starts_at_an_unknown_age():
    spells = renewed("failed", quality="used")
    assert spells.outcome.tolist() == [Outcome.FAILED, Outcome.CENSORED]
    assert np.isnan(spells.start_km[1]) and spells.entry_km[1] == 25_000
    assert spells.quality.tolist() == [Quality.UNKNOWN, Quality.USED]


def test_a_part_renewed_on_one_side_leaves_the_other_side_alone():
    spells = spells_of(FIRST, line(MID, 25_000, "renewed", "failed", position=0), LAST, positions=(0, 1))
    assert spells.position.tolist() == [0, 0, 1]
    assert spells.outcome.tolist() == [Outcome.FAILED, Outcome.CENSORED, Outcome.CENSORED]
    assert (spells.entry_km[2], spells.exit_km[2]) == (10_000, 40_000)


def test_retorqued_without_loss_of_function_is_no_event():
    spells = spells_of(FIRST, line(MID, 25_000, "repaired", "scheduled"), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.CENSORED]


def test_first_seen_working_enters_late_with_unknown_start():
    spells = spells_of(FIRST, line(MID, 25_000, "checked_good"), LAST)
    assert (spells.entry_km[0], spells.entry_days[0]) == (10_000, 730)
    assert np.isnan(spells.start_km[0]) and not spells.not_original[0]


def test_last_seen_working_is_censored_there_and_not_today():
    spells = spells_of(FIRST, line(MID, 25_000, "checked_good"), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED]
    assert (spells.exit_km[0], spells.exit_days[0]) == (40_000, 2191)


def test_gone_ends_the_watch_for_good():
    spells = spells_of(FIRST, line(MID, 25_000, "checked_good"), line(date(2015, 1, 1), 33_000, "gone"), LAST)
    assert (spells.exit_km[0], spells.removal[0]) == (33_000, Removal.MACHINE_GONE)
