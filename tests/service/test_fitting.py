"""What a fit takes on: everything at first, then only what new lines name."""

from __future__ import annotations

import pytest

from analytics.life_model_types import Horizon, LifePrior, PartState
from analytics.refitting import KeptFit
from analytics.risk import assess
from analytics.spells import Cell, Spells
from analytics.spread_prior import SpreadPrior
from service import kept_work
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections import kept_fits, serving
from service.inspections.serving import snapshot_for
from service.kept_work import Workshop
from tests.service.databases import NOW

SHOP = "The Cog & Gasket"
HEADER = "card,date,machine,make,model,first_registered,odometer,unit,component,action,reason\n"


def cards(count: int) -> str:
    return HEADER + "".join(
        f"{m}-{y},{y}-06-01,M{m},Tindrake,Lanner 650,2010-01-01,{4_000 * (y - 2009)},km,,seen,\n"
        for m in range(count)
        for y in range(2011, 2020)
    )


def test_an_empty_database_fits_to_the_priors(database: Database) -> None:
    (report,) = refit(database, pool_open=True, now=NOW)
    assert (report.fitted, report.lines, report.spells) == (51, 0, 0)


def test_one_new_line_refits_its_component_alone(database: Database) -> None:
    take_in(database, SHOP, cards(20).encode(), file_name="a.csv", now=NOW, today=NOW.date())
    (first,) = refit(database, pool_open=True, now=NOW)
    line = HEADER + "new,2020-01-07,M3,,,,43000,km,stator,renewed,failed\n"
    take_in(database, SHOP, line.encode(), file_name="b.csv", now=NOW, today=NOW.date())
    (second,) = refit(database, pool_open=True, now=NOW)
    assert (first.fitted, second.fitted, second.reused) == (51, 1, 50)
    assert first.release != second.release
    (third,) = refit(database, pool_open=True, now=NOW)
    assert (third.fitted, third.release) == (0, second.release)


def test_what_is_kept_counts_for_the_estimate_in_force_alone(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process may have published since: its estimate is not what was kept here."""
    refits: list[KeptFit] = []
    monkeypatch.setattr(kept_work, "refit", lambda kept, _: refits.append(kept))
    spells, prior = Spells.empty(), LifePrior(2.0, 40_000.0)
    workshop = Workshop(database, None, SpreadPrior())
    for in_force, other, refitted in ((7, prior, 1), (8, prior, 0), (7, LifePrior(3.0, 40_000.0), 0)):
        _, kept = workshop.fit("stator", spells, prior, None)
        workshop.keep("stator", 7, prior, kept)
        workshop.fit("stator", spells, other, in_force)
        assert len(refits) == refitted
        refits.clear()


def test_a_new_line_is_served_as_if_everything_had_been_read_anew(database: Database) -> None:
    take_in(database, SHOP, cards(20).encode(), file_name="a.csv", now=NOW, today=NOW.date())
    refit(database, pool_open=True, now=NOW)
    with database.read() as session:
        before = snapshot_for(session, 1, pool_open=True)
    line = HEADER + "new,2020-01-07,M3,,,,43000,km,stator,renewed,failed\n"
    take_in(database, SHOP, line.encode(), file_name="b.csv", now=NOW, today=NOW.date())
    refit(database, pool_open=True, now=NOW)
    with database.read() as session:
        kept = snapshot_for(session, 1, pool_open=True)
        kept_fits.forget()
        serving.forget()
        anew = snapshot_for(session, 1, pool_open=True)
    assert kept.version == anew.version != before.version
    assert {slug for slug in kept.fits if kept.fits[slug] is not before.fits[slug]} == {"stator"}
    assert not any(kept.fits[slug] is anew.fits[slug] for slug in kept.fits)
    states = [PartState(slug, 40_000.0, 3000.0, 9_000.0, 700.0) for slug in kept.fits]
    cell, ahead = Cell("Tindrake", "", "Lanner 650"), Horizon(5000.0, 365.25)
    chances = [assess(known.risks, states, cell, ahead, 12.0) for known in (before, kept, anew)]
    assert chances[1] == chances[2]
    changed = [one.component for one, two in zip(*chances[:2], strict=True) if one != two]
    assert changed == ["stator"]
