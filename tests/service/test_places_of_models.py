"""A place that some models have is not watched on a model whose layout lacks it."""

from __future__ import annotations

from service.db import Database
from service.estimates import positions_document
from service.imports.intake import take_in
from service.lifetimes import read_dataset
from service.setup import load_layouts
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, seen

LANNER = {"make": "Tindrake", "model": "Lanner 650", "family": "TD-T2"}
DRAY = {"make": "Hexley", "model": "Dray 300", "family": "HX-30"}


def places(database: Database, *rows: dict[str, str]) -> dict[str, list[str]]:
    take_in(database, "The Cog & Gasket", csv_file(rows), file_name="a.csv", now=NOW, today=NOW.date())
    with database.read() as session:
        found = positions_document(read_dataset(session))["wheel_bearing"]["by_family"]
    return {family: sorted(names) for family, names in found.items()}


def test_a_belt_scooter_has_no_bearing_in_a_sprocket_carrier(database: Database) -> None:
    load_layouts(database)
    bearing = {"component": "wheel_bearing", "date": "2014-05-01", "odometer": "15000"}
    rows = [
        seen("1", "2012-03-04", "9000", machine="L", **LANNER),
        row(card="2", machine="L", position="rear_carrier", **bearing, **LANNER),
        seen("3", "2013-03-04", "9000", machine="D", **DRAY),
        row(card="4", machine="D", position="rear_left", **bearing, **DRAY),
    ]
    assert places(database, *rows) == {
        "Tindrake/TD-T2": ["rear_carrier", "rear_left"],
        "Hexley/HX-30": ["rear_left"],
    }
    # somebody fitted one after all: what a line of the model names is kept
    odd = row(card="5", machine="D", position="rear_carrier", **bearing, **DRAY)
    assert places(database, odd)["Hexley/HX-30"] == ["rear_carrier", "rear_left"]
