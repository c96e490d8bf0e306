"""What a fit takes on: everything at first, then only what new lines name."""

from __future__ import annotations

from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from tests.service.databases import NOW

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
    shop = "The Cog & Gasket"
    take_in(database, shop, cards(20).encode(), file_name="a.csv", now=NOW, today=NOW.date())
    (first,) = refit(database, pool_open=True, now=NOW)
    line = HEADER + "new,2020-01-07,M3,,,,43000,km,stator,renewed,failed\n"
    take_in(database, shop, line.encode(), file_name="b.csv", now=NOW, today=NOW.date())
    (second,) = refit(database, pool_open=True, now=NOW)
    assert (first.fitted, second.fitted, second.reused) == (51, 1, 50)
    assert first.release != second.release
    (third,) = refit(database, pool_open=True, now=NOW)
    assert (third.fitted, third.release) == (0, second.release)
