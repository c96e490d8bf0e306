"""Machine layouts: read, stored, and what they say about positions and missing parts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.catalogue import LoadReport, absent_components, current_layouts, positions_for, store_layouts
from service.catalogue_files import DataFileError, read_catalogue, read_layouts
from service.catalogue_types import Catalogue
from service.db import Base, Database
from service.layout_files import Layout
from service.models.catalogue import PartChange

SEED = Path(__file__).parents[2] / "seed"
CATALOGUE = read_catalogue(SEED / "catalogue")
LAYOUTS = {layout.model: layout for layout in read_layouts(SEED / "layouts.json", CATALOGUE.components)}


@pytest.fixture
def session() -> Iterator[Session]:
    database = Database("sqlite://")
    Base.metadata.create_all(database.engine)
    with database.write() as session:
        yield session
    database.dispose()


def test_nine_models() -> None:
    assert len(LAYOUTS) == 9
    assert {layout.used_price.mark for layout in LAYOUTS.values()} == {"invented prior"}


@pytest.mark.parametrize(
    ("component", "model", "positions"),
    [
        ("ignition_coil", "Lanner 650", ("1", "2")),
        ("ignition_coil", "Falena 990", ("front", "rear")),
        ("injector", "Shrike 900", ("1", "2", "3")),
        ("spark_plug", "Pipit 125", ()),
        ("valve_train", "Parson 800", ("front", "rear")),
        ("cam_chain_tensioner", "Parson 800", ("front", "rear")),
        ("cam_chain_tensioner", "Lanner 650", ()),
        ("throttle_body", "Shrike 900", ()),
        ("head_gasket", "Falena 990", ("front", "rear")),
        ("tyre", "Merle 500", ("front", "rear")),
        ("battery", "Merle 500", ()),
        ("interlock_switch", "Dray 300", ("side_stand",)),
        ("interlock_switch", None, ("side_stand", "clutch", "neutral")),
        ("ignition_coil", None, ()),
    ],
)
def test_positions(component: str, model: str | None, positions: tuple[str, ...]) -> None:
    layout = LAYOUTS[model] if model else None
    assert positions_for(CATALOGUE.component_by_slug[component], layout) == positions


def test_absent_components_follow_the_model_year() -> None:
    parson = LAYOUTS["Parson 800"]
    assert "injector" in absent_components(parson, 2007)
    assert "carburettor" not in absent_components(parson, 2007)
    assert "injector" not in absent_components(parson, 2008)
    assert "carburettor" in absent_components(parson, 2008)
    always = {"cvt_belt", "water_pump", "thermostat", "cooling_fan", "radiator_hoses"}
    assert absent_components(parson) == always
    assert {"chain_sprockets", "carburettor"} <= absent_components(LAYOUTS["Dray 300"], 2016)
    assert absent_components(LAYOUTS["Lanner 650"]) == {"cvt_belt", "carburettor"}


def test_store_twice_changes_nothing(session: Session) -> None:
    layouts = tuple(LAYOUTS.values())
    assert store_layouts(session, layouts) == LoadReport(added=9)
    assert store_layouts(session, layouts) == LoadReport(unchanged=9)
    assert current_layouts(session) == {(layout.make, layout.model): layout for layout in layouts}
    changes = session.scalars(select(PartChange)).all()
    assert {(row.model, row.component, row.built_from) for row in changes} == {
        (model, component, "2013-09")
        for model in ("Lanner 650", "Lanner 650 T")
        for component in ("regulator_rectifier", "charging_connector")
    }


def test_store_follows_a_changed_layout(session: Session) -> None:
    lanner = LAYOUTS["Lanner 650"]
    store_layouts(session, (lanner, LAYOUTS["Merle 500"]))
    kept, moved = lanner.part_changes
    newer: Layout = replace(lanner, part_changes=(replace(kept, note="new"), replace(moved, built_from="2014-01")))
    assert store_layouts(session, (newer,)) == LoadReport(changed=1)
    rows = session.scalars(select(PartChange).order_by(PartChange.built_from)).all()
    assert [(row.built_from, row.note) for row in rows] == [("2013-09", "new"), ("2014-01", moved.note)]
    assert len(current_layouts(session)) == 2


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("cylinders", [], "layouts.json: Tindrake Lanner 650: cylinders: must name each cylinder once"),
        ("built_to", 2008, "Tindrake Lanner 650: built_to: lies before built_from"),
        ("fuelling", [], "fuelling: must cover each year from built_from to built_to once"),
        ("final_drive", "rope", "final_drive: 'rope' is not one of chain, belt, shaft"),
        ("positions", [{"component": "flux", "positions": []}], "positions: 'flux' is not among the components"),
        ("used_price", {"amount": "cheap", "currency": "EUR", "mark": "x"}, "used_price.amount: Not a valid number."),
        (
            "part_changes",
            [{"component": "stator", "built_from": "2013", "note": "x"}],
            "part_changes[0].built_from: must be a month like 2013-09: is '2013'",
        ),
    ],
)
def test_broken_layout(tmp_path: Path, field: str, value: Any, message: str) -> None:
    content = json.loads((SEED / "layouts.json").read_text(encoding="utf-8"))
    content["layouts"][0][field] = value
    path = tmp_path / "layouts.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(DataFileError) as refusal:
        read_layouts(path, CATALOGUE.components)
    assert message in str(refusal.value)


def test_catalogue_rows_a_layout_names_exist() -> None:
    catalogue: Catalogue = replace(CATALOGUE, components=CATALOGUE.components[:5])
    with pytest.raises(DataFileError, match="'cvt_belt' is not among the components"):
        read_layouts(SEED / "layouts.json", catalogue.components)
