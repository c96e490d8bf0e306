"""A fleet over columns is the fleet that machine by machine gives, and what is kept of it is never stale."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from sqlalchemy import select

from analytics.fleet_parts import fleet_of
from analytics.fleet_types import Fleet, FleetGroup
from service.app import WeakspotApp
from service.db import Database
from service.fleet_now import fleet_on_record
from service.models import Shop
from service.outlooks import fleet_outlook
from tests.service.fleet_one_by_one import machines_one_by_one
from tests.service.job_files import csv_file, take_in
from tests.service.test_outlooks import AS_OF, card, fill

AHEAD = date(2026, 6, 1)


def rows_of(fleet: Fleet, group: FleetGroup) -> list[tuple]:
    """What a group holds, a row a part; drawn ages by their mean, which all ages of a part enter."""
    keys = group.lives.keys
    age = group.age_km if group.drawn is None else group.drawn[0].mean(axis=0)
    return sorted(
        (int(m), str(keys[k].position), keys[k], keys[n], float(fleet.km_per_day[m]), float(a))
        for m, k, n, a in zip(group.machine, group.key, group.new_key, age, strict=True)
    )


@pytest.mark.slow
def test_columns_give_the_fleet_that_machine_by_machine_gives(demo_app: WeakspotApp) -> None:
    with demo_app.database.read() as session:
        shop_id = session.scalars(select(Shop.id).where(Shop.name == "Upper Tarn School Workshop")).one()
        found = fleet_on_record(session, shop_id, as_of=AHEAD, pool_open=True)
        references, machines, bad = machines_one_by_one(session, shop_id, AHEAD, pool_open=True)
    assert list(found.references) == references and len(references) > 20
    assert [(b.machine, b.component, b.position) for b in found.bad] == sorted(
        bad, key=lambda b: (references.index(b[0]), b[1], b[2] or "")
    )
    plain = fleet_of(found.snapshot.risks, machines)
    groups = {(g.lives.component, g.drawn is None, len(g.part)): g for g in plain.groups}
    assert sum(len(g.part) for g in plain.groups) == sum(len(g.part) for g in found.fleet.groups) > 1000
    for group in found.fleet.groups:
        mine = rows_of(found.fleet, group)
        theirs = rows_of(plain, groups[group.lives.component, group.drawn is None, len(group.part)])
        assert [row[:4] for row in mine] == [row[:4] for row in theirs]
        np.testing.assert_allclose([r[4:] for r in mine], [r[4:] for r in theirs], rtol=1e-9, atol=1e-9)


def test_a_new_line_is_in_the_next_answer(database: Database) -> None:
    shop_id = fill(database)

    def expected(as_of: date = AS_OF) -> dict:
        with database.read() as session:
            return fleet_outlook(session, shop_id, as_of=as_of, months=6, pool_open=False)

    first = expected()
    assert expected() is first  # nothing changed: nothing is worked out again
    take_in(database, csv_file([card(2, "2026-01-02", "61900", component="battery", action="checked_bad")]),
            today=AS_OF)  # fmt: skip
    second = expected()
    assert [(b["machine"], b["component"]) for b in second["found_bad"]] == [("M2", "battery")]
    take_in(database, csv_file([card(3, "2026-01-03", "62000", action="gone")]), today=AS_OF)
    assert second["machines"] == 4 and expected()["machines"] == 3
    assert expected(date(2026, 3, 1))["expected"] != expected()["expected"]
