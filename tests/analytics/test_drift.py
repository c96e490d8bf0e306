"""Drift and batches on invented records whose truth is known: what is flagged, and how often by chance alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import binom, chi2, nbinom

from analytics.drift import BUILD, CALENDAR, CAMPAIGN, FALSE_SHARE, FEWER, MORE, NOT_ENOUGH, alerts, looks
from analytics.errors import InvalidObservations, UnknownComponent
from analytics.failures_seen import predictive_chances, ratio_interval, spell_failures
from analytics.spells import Outcome, Removal, Spells
from tests.analytics.comparison_cases import ModelCase, records, table_of

FIRST, LAST = date(2010, 1, 1).toordinal(), date(2018, 1, 1).toordinal()


def dated(spells: Spells, seed: int) -> tuple[Spells, np.ndarray]:
    """Machines of their own, built evenly over eight years."""
    born = np.random.default_rng([seed, 7]).uniform(FIRST, LAST, len(spells))
    return replace(spells, machine=np.arange(len(spells))), born


def found_in(spells: Spells, born: np.ndarray) -> list:
    return alerts(looks(table_of(spells), "regulator", spells, born))


def with_rate(spells: Spells, born: np.ndarray, times: float, when: np.ndarray) -> Spells:
    """Some machines' parts failing `times` as often: lives of a Weibull of shape 2 are shorter by its square root."""
    life = np.where(spells.outcome == Outcome.FAILED, spells.exit_days, np.inf)
    # of those still running: drawn on from where they are, the scale being 50,000 km
    luck = -np.log(np.random.default_rng(3).random(len(spells)))
    unseen = np.sqrt(spells.exit_km**2 + 50_000.0**2 * luck) * spells.exit_days / spells.exit_km
    life = np.where(np.isinf(life), unseen, life)
    shorter = np.where(when, life / np.sqrt(times), life)
    failed = shorter <= spells.exit_days
    return replace(
        spells,
        exit_days=np.where(failed, shorter, spells.exit_days),
        exit_km=np.where(failed, shorter, spells.exit_days) * spells.exit_km / spells.exit_days,
        lower_days=np.where(failed, shorter, spells.exit_days),
        outcome=np.where(failed, int(Outcome.FAILED), int(Outcome.CENSORED)),
        removal=np.where(failed, int(Removal.FAILED), int(Removal.STILL_FITTED)),
    )


def false_alarms(worlds: int) -> int:
    return sum(bool(found_in(*dated(records([ModelCase()] * 6, seed), seed))) for seed in range(worlds))


def test_a_list_where_nothing_changed_is_empty_but_for_the_stated_share() -> None:
    """40 worlds; the bound is the 99.9 % point of the binomial law at the stated share."""
    assert false_alarms(40) <= binom.ppf(0.999, 40, FALSE_SHARE)


def test_a_bad_batch_is_found_by_its_build_date() -> None:
    for seed in range(3):
        spells, born = dated(records([ModelCase(machines=400)] * 3, seed), seed)
        batch = (spells.cell == 1) & (born >= date(2014, 1, 1).toordinal()) & (born < date(2015, 1, 1).toordinal())
        first = found_in(with_rate(spells, born, 4.0, batch), born)[0]
        assert (first.scale, first.cell.model, first.period, first.finding) == (BUILD, "model 1", "2014", MORE)
        assert first.ratio.low > 1.3


def test_a_rate_that_rises_with_the_build_date_is_a_trend() -> None:
    spells, born = dated(records([ModelCase(machines=500)] * 3, 5), 5)
    late = (spells.cell == 0) & (born > date(2014, 1, 1).toordinal())
    found = found_in(with_rate(spells, born, 4.0, late), born)
    assert any(f.period == "trend" and f.scale == BUILD and f.ratio.low > 1 and f.finding == MORE for f in found)


def test_parts_that_last_longer_from_a_day_on_show_on_the_calendar() -> None:
    """From 2016 on a failure is written down only one time in four: fewer failures on every later year."""
    spells, born = dated(records([ModelCase(machines=300)] * 4, 6), 6)
    late = born + spells.exit_days >= date(2016, 1, 1).toordinal()
    lost = (spells.outcome == Outcome.FAILED) & late & (np.random.default_rng(1).random(len(spells)) < 0.75)
    quiet = replace(
        spells,
        outcome=np.where(lost, int(Outcome.CENSORED), spells.outcome),
        removal=np.where(lost, int(Removal.STILL_FITTED), spells.removal),
    )
    found = [f for f in found_in(quiet, born) if f.scale == CALENDAR]
    assert any(f.period == "trend" and f.finding == FEWER and f.ratio.high < 1 for f in found)
    assert {f.finding for f in found if f.period in ("2017", "2018", "2019")} == {FEWER}


def test_parts_of_a_campaign_are_held_against_the_others() -> None:
    """Every machine's first part goes in a campaign after a year; the next ones fail a quarter as often."""
    spells, born = dated(records([ModelCase(machines=500)] * 2, 8), 8)
    early = replace(
        spells,
        exit_days=np.minimum(spells.exit_days, 365.0),
        exit_km=np.minimum(spells.exit_days, 365.0) * spells.exit_km / spells.exit_days,
        outcome=np.zeros(len(spells), dtype=int),
        removal=np.full(len(spells), int(Removal.CAMPAIGN)),
    ).subset(spells.exit_days > 800)
    later = with_rate(spells, born, 0.25, spells.cell >= 0).subset(spells.exit_days > 800)
    moved = {name: getattr(later, name) + 365.0 for name in ("start_days", "entry_days", "exit_days", "lower_days")}
    later = replace(later, **moved)
    others = replace(spells, machine=spells.machine + 10_000).subset(spells.exit_days <= 800)
    columns = [f for f in early.__dict__ if isinstance(getattr(early, f), np.ndarray)]
    both = replace(early, **{f: np.concatenate([getattr(s, f) for s in (early, later, others)]) for f in columns})
    found = [x for x in looks(table_of(both), "regulator", both, np.tile(born, 12)) if x.scale == CAMPAIGN]
    assert {x.cell.model for x in found} == {"model 0", "model 1"}
    assert all(x.expected > 3 and x.ratio.value < 1 for x in found)


def found_every_two_years(spells: Spells, born: np.ndarray) -> tuple[Spells, np.ndarray]:
    """The same lives, all watched to 2019 and looked at every two years: what would be found later is not on record."""
    rng, every = np.random.default_rng(5), 730.0
    ends = date(2019, 1, 1).toordinal() - born
    life = np.sqrt(-np.log(rng.random(len(spells)))) * 50_000.0 * spells.exit_days / spells.exit_km
    check = np.ceil(life / every) * every
    found = check <= ends
    until = np.where(found, check, ends)
    km_per_day = spells.exit_km / spells.exit_days
    lower = np.where(found, check - every, np.nan)
    return replace(
        spells,
        entry_days=0.0 * until,
        entry_km=0.0 * until,
        exit_days=until,
        exit_km=until * km_per_day,
        lower_days=lower,
        lower_km=lower * km_per_day,
        outcome=np.where(found, int(Outcome.FAILED_BETWEEN), int(Outcome.CENSORED)),
        removal=np.where(found, int(Removal.FOUND_FAILED), int(Removal.STILL_FITTED)),
    ), born


def test_failures_still_to_be_found_are_no_fewer_failures() -> None:
    """Of the last two years' failures many are not found yet: nothing changed, and nothing is said of these years."""
    for seed in range(3):
        spells, born = found_every_two_years(*dated(records([ModelCase(machines=500)] * 3, seed), seed))
        made = looks(table_of(spells), "regulator", spells, born)
        calendar = {x.period: x for x in made if x.scale == CALENDAR}
        last = calendar["2018"]
        assert last.finding == NOT_ENOUGH and last.expected > 20 and last.seen < 0.6 * last.expected
        assert calendar["2015"].finding != NOT_ENOUGH
        assert not [x for x in alerts(made) if x.scale == CALENDAR]


def test_expected_failures_add_up_over_the_periods() -> None:
    spells, born = dated(records([ModelCase()] * 3, 4), 4)
    table = table_of(spells)
    counted = spell_failures(table, "regulator", spells)
    by_year = [x for x in looks(table, "regulator", spells, born) if x.scale == CALENDAR and x.period != "trend"]
    assert sum(x.seen for x in by_year) == pytest.approx(counted.seen.sum())
    # the fit is to the same records: as many expected as seen, but for its prior
    assert counted.expected.sum() == pytest.approx(counted.seen.sum(), rel=0.06)


def test_chances_are_those_of_the_negative_binomial_law() -> None:
    """scipy's law of the same mean and shape; with hardly any doubt the Poisson law's."""
    for seen, mean, doubt in ((3, 2.0, 0.3), (0, 1.5, 0.1), (40, 25.0, 0.02)):
        more, fewer = predictive_chances(np.array([float(seen)]), np.array([mean]), np.array([doubt]))
        law = nbinom(1 / doubt, 1 / (1 + mean * doubt))
        assert more[0] == pytest.approx(law.sf(seen - 1)) and fewer[0] == pytest.approx(law.cdf(seen))


def test_exact_poisson_interval() -> None:
    """Garwood 1936: half the chi-square points of 2 x and 2 (x + 1) degrees of freedom; scipy has the law."""
    ratio = ratio_interval(10, 2.0, 0.95)
    assert 2 * ratio.low == pytest.approx(chi2.ppf(0.025, 20) / 2)
    assert 2 * ratio.high == pytest.approx(chi2.ppf(0.975, 22) / 2)


def test_refusals_and_too_little() -> None:
    spells, born = dated(records([ModelCase(machines=5)], 1), 1)
    table = table_of(spells)
    assert {x.finding for x in looks(table, "regulator", spells, born)} <= {NOT_ENOUGH}
    assert looks(table, "regulator", spells, np.full(len(spells), np.nan)) == [] and alerts([]) == []
    with pytest.raises(InvalidObservations, match="months"):
        looks(table, "regulator", spells, born, months=5)
    with pytest.raises(UnknownComponent):
        looks(table, "stator", spells, born)
