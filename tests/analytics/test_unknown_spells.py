"""Parts of unknown start in the fit, on simulated renewals whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.life_model_types import LifePrior
from analytics.pooling import fit_component
from analytics.risk import life_summary
from analytics.spells import Quality, Spells
from tests.analytics.pooling_cases import ONE_CELL, make_spells

YEAR = 365.25
Life = tuple[float, float]  # shape, characteristic life in years


def watched_renewals(
    seed: int, n: int, first: Life, later: Life, known: float, strata: tuple[int, int] = (-1, -1)
) -> Spells:
    """Machines first seen at 0 to 10 years and watched for 1 to 6; parts follow each other from new.

    The start of the part met at first sight is known with probability `known`; later starts are seen.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for machine in range(n):
        entry = rng.uniform(0.0, 10.0)
        end, start, life, stratum = entry + rng.uniform(1.0, 6.0), 0.0, first, strata[0]
        while start < end:
            gone = start + life[1] * rng.weibull(life[0])
            if gone > entry:
                told = start > entry or rng.random() < known
                # where nobody knows the start, the machine's build is all there is to go by
                rows.append(
                    (
                        machine,
                        max(entry, start),
                        min(gone, end),
                        int(gone <= end),
                        start if told else np.nan,
                        stratum if told else strata[0],
                    )
                )
            start, life, stratum = gone, later, strata[1]
    machine_, entry_, exit_, failed, start_, stratum_ = (np.array(c) for c in zip(*rows, strict=True))
    days = {"start_days": start_ * YEAR, "stratum": stratum_, "machine": machine_}
    return make_spells(entry_ * YEAR, exit_ * YEAR, failed, **days)


@pytest.mark.parametrize("known", [0.0, 0.5])
@pytest.mark.parametrize("truth", [(2.5, 6.0), (1.2, 5.0)])
def test_the_life_is_found_without_knowing_a_start(truth: Life, known: float) -> None:
    spells = watched_renewals(3, 500, truth, truth, known)
    met = spells.subset(~spells.known_start) if known == 0 else spells
    fit = fit_component(met, LifePrior(1.8, scale_years=9.0), component="part")
    found = life_summary(fit, ONE_CELL[0], level=0.98)
    assert found.shape.low < truth[0] < found.shape.high
    assert found.scale.low < truth[1] < found.scale.high
    assert found.scale.high / found.scale.low < 2.2  # it is the data that say so, not a wide answer
    assert fit.unknown_start == (~met.known_start).sum()


def test_taking_the_part_met_for_the_original_is_wrong() -> None:
    truth = (2.5, 6.0)
    spells = watched_renewals(3, 500, truth, truth, 0.0)
    met = spells.subset(~spells.known_start)
    met.start_days[:] = 0.0
    met.start_km[:] = 0.0
    found = life_summary(fit_component(met, LifePrior(1.8, scale_years=9.0), component="part"), ONE_CELL[0], level=0.98)
    assert not (found.shape.low < truth[0] < found.shape.high and found.scale.low < truth[1] < found.scale.high)


def test_a_weak_factory_part_is_told_from_its_better_successor() -> None:
    weak, better = (2.0, 5.0), (2.0, 14.0)
    early = watched_renewals(8, 500, weak, better, 0.2, (0, 1))
    late = watched_renewals(9, 300, better, better, 0.2, (1, 1))
    columns = {
        f: np.concatenate([getattr(early, f), getattr(late, f)])
        for f in early.__dataclass_fields__
        if f not in ("cells", "positions", "shops")
    }
    both = Spells(**columns, cells=ONE_CELL, shops=("shop",))
    fit = fit_component(both, LifePrior(1.8, scale_years=10.0), component="part")
    for stratum, truth in ((0, weak), (1, better)):
        found = life_summary(fit, ONE_CELL[0], stratum=stratum, level=0.98)
        assert found.scale.low < truth[1] < found.scale.high
    old, new = (life_summary(fit, ONE_CELL[0], stratum=s) for s in (0, 1))
    assert old.scale.high < new.scale.low


def test_early_deaths_of_bad_pattern_parts_are_not_booked_against_the_factory_s() -> None:
    """A third of the replacements are bad pattern parts; where the start is unknown nobody says so."""
    plain, bad, life_of = (2.0, 9.0), (0.8, 3.0), np.random.default_rng(21)
    rows = []
    for machine in range(900):
        entry = life_of.uniform(4.0, 16.0)
        end, start, life = entry + life_of.uniform(1.0, 6.0), 0.0, plain
        while start < end:
            gone = start + life[1] * life_of.weibull(life[0])
            if gone > entry:
                told = start > entry
                quality = (Quality.PATTERN if life is bad else Quality.ORIGINAL) if told else Quality.UNKNOWN
                rows.append(
                    (machine, max(entry, start), min(gone, end), gone <= end, start if told else np.nan, quality)
                )
            start, life = gone, (bad if life_of.random() < 1 / 3 else plain)
    machine_, entry_, exit_, failed, start_, quality_ = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
    spells = make_spells(
        entry_ * YEAR,
        exit_ * YEAR,
        failed.astype(int),
        start_days=start_ * YEAR,
        machine=machine_.astype(int),
        quality=quality_.astype(int),
        not_original=~np.isnan(start_),
    )
    found = life_summary(
        fit_component(spells, LifePrior(1.8, scale_years=9.0), component="part"), ONE_CELL[0], level=0.98
    )
    assert found.shape.low < plain[0] < found.shape.high
    assert found.scale.low < plain[1] < found.scale.high
    assert found.scale.high / found.scale.low < 1.6
