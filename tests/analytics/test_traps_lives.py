"""Data traps of the trade brief (section on job cards), by number: what each does to the life records.

Expected values are worked out by hand from the brief's column "hold it as".
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from analytics.part_issues import BY_CAMPAIGN_ALONE
from analytics.spells import Outcome, Quality, Removal
from tests.analytics.history_cases import days, line, spells_of

FIRST = line(date(2012, 1, 1), 10_000, "seen")
LAST = line(date(2016, 1, 1), 40_000, "seen")
MID = date(2014, 1, 1)


def renewed(reason: str, **more: object) -> tuple[object, ...]:
    return line(MID, 25_000, "renewed", reason, **more)


def test_d01_a_missing_reading_lies_between_its_neighbours_and_is_never_0() -> None:
    spells = spells_of(FIRST, line(MID, None, "renewed", "failed"), LAST)
    assert 10_000 < spells.exit_km[0] < 40_000


def test_d04_distance_is_summed_over_the_clocks() -> None:
    change = (
        line(date(2013, 1, 1), 20_000, "seen", card=5),
        line(date(2013, 1, 1), 5_000, "clock_changed", card=5),
    )
    spells = spells_of(FIRST, *change, line(MID, 12_000, "renewed", "failed"), line(date(2016, 1, 1), 30_000, "seen"))
    assert spells.exit_km.tolist() == [27_000, 45_000]


def test_d11_a_part_of_unknown_side_belongs_half_to_each() -> None:
    spells = spells_of(FIRST, renewed("failed", position=-1), LAST, positions=(0, 1))
    failed = spells.outcome == Outcome.FAILED
    assert (spells.weight[failed].tolist(), spells.weight.sum()) == ([0.5, 0.5], 3.0)


def test_d12_two_lines_for_one_job_are_one_event() -> None:
    again = line(date(2014, 1, 10), 25_200, "renewed", "failed")
    assert (spells_of(FIRST, renewed("failed"), again, LAST).outcome == Outcome.FAILED).sum() == 1


@pytest.mark.parametrize(("day", "km", "failures"), [(15, 25_300, 1), (16, 25_300, 2), (15, 25_301, 2)])
def test_d14_a_comeback_is_no_second_life(day: int, km: int, failures: int) -> None:
    """The bounds of the brief's merge rule: 14 days and 300 km."""
    again = line(date(2014, 1, day), km, "renewed", "failed")
    assert (spells_of(FIRST, renewed("failed"), again, LAST).outcome == Outcome.FAILED).sum() == failures


def test_d15_a_reason_never_written_is_not_a_failure() -> None:
    assert spells_of(FIRST, renewed("unknown"), LAST).outcome[0] == Outcome.RENEWED_REASON_UNKNOWN


@pytest.mark.parametrize(
    ("reason", "outcome", "removal"),
    [
        ("failed", Outcome.FAILED, Removal.FAILED),
        ("worn_to_limit", Outcome.FAILED, Removal.WORN_TO_LIMIT),
        ("scheduled", Outcome.CENSORED, Removal.SCHEDULED),
        ("damage", Outcome.CENSORED, Removal.DAMAGE),
        ("upgrade", Outcome.CENSORED, Removal.UPGRADE),
        ("owner_wish", Outcome.CENSORED, Removal.OWNER_WISH),
    ],
)
def test_d16_each_reason_ends_a_life_in_its_own_way(reason: str, outcome: int, removal: int) -> None:
    spells = spells_of(FIRST, renewed(reason), LAST)
    assert (spells.outcome[0], spells.removal[0]) == (outcome, removal)


def test_d17_found_failed_is_an_interval_back_to_the_last_check() -> None:
    good = line(date(2013, 1, 1), 18_000, "checked_good")
    spells = spells_of(FIRST, good, renewed("found_failed"), LAST)
    assert (spells.outcome[0], spells.lower_km[0], spells.exit_km[0]) == (Outcome.FAILED_BETWEEN, 18_000, 25_000)


def test_d19_cleaning_does_not_make_a_part_new() -> None:
    spells = spells_of(line(None, None, "original", source="told"), FIRST, line(MID, 25_000, "repaired"), LAST)
    assert spells.start_km.tolist() == [0, 0] and spells.repair_km[1] == 25_000
    assert spells.removal.tolist() == [Removal.REPAIRED, Removal.STILL_FITTED]


def test_d20_a_used_part_is_not_of_age_0() -> None:
    spells = spells_of(FIRST, renewed("failed", quality="used"), LAST)
    assert np.isnan(spells.start_km[1]) and spells.not_original[1]
    assert (spells.entry_km[1], spells.quality[1]) == (25_000, Quality.USED)


def test_d21_a_pattern_part_is_of_its_own_quality() -> None:
    spells = spells_of(FIRST, renewed("failed", quality="pattern"), LAST)
    assert spells.quality.tolist() == [Quality.UNKNOWN, Quality.PATTERN]


def test_d22_a_part_changed_in_mid_build_is_told_by_the_day_it_was_fitted() -> None:
    change = (float(date(2013, 1, 1).toordinal()),)
    spells = spells_of(line(None, None, "original", source="told"), FIRST, renewed("failed"), LAST, changes=change)
    assert spells.stratum.tolist() == [0, 1]


@pytest.mark.parametrize(
    ("built", "shares"),
    [
        ((date(2012, 1, 1), date(2012, 12, 31)), {0: 1.0}),
        ((date(2013, 1, 1), date(2013, 12, 31)), {0: 0.6875, 1: 0.3125}),  # 122 of 365 days, to a sixteenth
        ((date(2013, 1, 1), date(2014, 12, 31)), {0: 0.6875, 1: 0.3125}),  # seen on 2013-12-31: not built later
        ((date(2013, 9, 1), date(2014, 12, 31)), {1: 1.0}),
    ],
)
def test_d22_of_a_machine_built_on_a_day_nobody_knows_it_may_be_either(
    built: tuple[date, date], shares: dict[int, float]
) -> None:
    """Unknown: both with weight. The part fitted later is told by its own day."""
    change = (float(date(2013, 9, 1).toordinal()),)
    first = line(date(2013, 12, 31), 10_000, "seen")
    spells = spells_of(line(None, None, "original", source="told"), first, renewed("failed"), LAST,
                       changes=change, built=built, new=date(2013, 7, 1))  # fmt: skip
    failed = spells.outcome == Outcome.FAILED
    assert dict(zip(spells.stratum[failed].tolist(), spells.weight[failed].tolist(), strict=True)) == shares
    assert (spells.stratum[~failed].tolist(), spells.weight[~failed].tolist()) == ([1], [1.0])


def test_d23_an_unknown_history_enters_late_and_is_not_called_original() -> None:
    spells = spells_of(FIRST, LAST, line(MID, 25_000, "checked_good"))
    assert np.isnan(spells.start_km[0]) and spells.entry_km[0] == 10_000


def test_d24_a_good_part_is_censored_at_its_last_sight() -> None:
    spells = spells_of(FIRST, line(MID, 25_000, "checked_good"), LAST)
    assert (spells.exit_km[0], spells.exit_days[0]) == (40_000, days(date(2016, 1, 1)))


def test_d26_gone_ends_the_watch_and_a_part_it_was_scrapped_for_is_a_failure() -> None:
    gone = line(date(2015, 1, 1), 32_000, "gone")
    assert spells_of(FIRST, line(MID, 25_000, "checked_good"), gone).removal.tolist() == [Removal.MACHINE_GONE]
    dead = line(date(2015, 1, 1), 32_000, "checked_bad", "failed", card=9)
    told = spells_of(FIRST, dead, line(date(2015, 1, 1), 32_000, "seen", card=9), gone)
    assert told.outcome.tolist() == [Outcome.FAILED]


@pytest.mark.parametrize(
    ("changes", "strata"),
    [
        (None, [-1, -1, -1]),  # no campaign known of the model
        (BY_CAMPAIGN_ALONE, [0, 1, 1]),  # no day tells the later issue: what a campaign put on does
        ((float(date(2020, 1, 1).toordinal()),), [0, 1, 1]),  # on machines built years later; in the campaign before
    ],
)
def test_d30_what_follows_a_campaign_is_another_population(
    changes: tuple[float, ...] | None, strata: list[int]
) -> None:
    again = line(date(2015, 1, 1), 32_000, "renewed", "failed")
    spells = spells_of(FIRST, renewed("campaign"), again, LAST, changes=changes)
    assert (spells.stratum.tolist(), spells.removal[0]) == (strata, Removal.CAMPAIGN)
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.FAILED, Outcome.CENSORED]
    in_doubt = spells_of(FIRST, renewed("campaign", doubt=True), again, LAST, changes=changes)
    assert set(in_doubt.stratum.tolist()) <= {-1, 0}


@pytest.mark.parametrize(
    ("number", "reason", "removal"),
    [
        ("D27", "misdiagnosis", Removal.MISDIAGNOSIS),
        ("D28", "secondary", Removal.SECONDARY),
        ("D30", "campaign", Removal.CAMPAIGN),
        ("D38", "scheduled", Removal.SCHEDULED),
    ],
)
def test_d27_d28_d30_d38_a_part_taken_off_good_is_censored(number: str, reason: str, removal: int) -> None:
    spells = spells_of(FIRST, renewed(reason), LAST)
    assert spells.outcome.tolist() == [Outcome.CENSORED, Outcome.CENSORED], number
    assert (spells.removal[0], spells.start_km[1]) == (removal, 25_000)
