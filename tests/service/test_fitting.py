"""What a fit takes on: everything at first, then only what new lines name."""

from __future__ import annotations

from analytics.life_model_types import Horizon, PartState
from analytics.risk import assess
from analytics.spells import Cell
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections import kept_fits, serving
from service.inspections.serving import snapshot_for
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
