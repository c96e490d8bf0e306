"""The files of the demo world keep to the job-line format, and one seed gives one world."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from seed.world import World, build_world, main, small_world, story_bike, story_visit, write_world
from seed.world_params import MODELS, components, layouts
from service.imports.rows import ParsedRow, RowChecker
from service.vocabulary import JOB_LINE_COLUMNS, MACHINE_ACTIONS
from tests.seed.world_cases import lines

FILES = ["brackenhythe", "cog-and-gasket", "midplain-moto-hall", "quayside-rental", "sallow-lane-arches",
         "upper-tarn-school"]  # fmt: skip
POOL = {"Lanner 650": 900, "Lanner 650 T": 350, "Shrike 900": 500, "Merle 500": 60, "Parson 800": 600,
        "Falena 990": 400, "Hob 410": 450, "Pipit 125": 700, "Dray 300": 500}  # fmt: skip


def test_same_seed_same_bytes_and_another_seed_another_world(tmp_path: Path) -> None:
    written = []
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        write_world(small_world(seed, 0.05), tmp_path / folder)
        written.append({p.name: p.read_bytes() for p in sorted((tmp_path / folder).iterdir())})
    assert written[0] == written[1]
    assert written[0] != written[2]


def test_a_component_lives_the_same_whichever_others_are_built() -> None:
    alone = build_world(3, 0.1, components=["fuel_pump"])
    among = build_world(3, 0.1, components=["fuel_pump", "tyre", "lighting"])
    assert alone.truth["outcomes"]["fuel_pump"] == among.truth["outcomes"]["fuel_pump"]


def test_every_row_passes_the_import_s_own_checks(world: World) -> None:
    for slug, rows in world.rows.items():
        checker = RowChecker()
        for number, row in enumerate(rows, start=2):
            assert isinstance(checker.check(number, row), ParsedRow), (slug, row)


def test_dates_are_iso_and_only_hearsay_has_none(world: World) -> None:
    forms = {"card": r"\d{4}-\d{2}-\d{2}", "papers": r"\d{4}(-\d{2}){0,2}", "told": ""}
    for line in lines(world):
        assert re.fullmatch(forms[line.source], line.date), line
        assert line.source != "card" or date(2012, 1, 1) <= date.fromisoformat(line.date) <= date(2026, 1, 5)


def test_positions_are_the_catalogue_s_or_the_layout_s_and_parts_fit_the_model(world: World) -> None:
    model_of = {(row["shop"], row["machine"]): row["model"] for row in world.truth["machines"]}
    seen = 0
    for slug in world.rows:
        for line in lines(world, slug):
            model = model_of.get((slug, line.machine))
            if model is None or line.component not in components():
                continue
            layout, entry = layouts()[model], components()[line.component]
            allowed = {*entry["positions"], *layout["cylinders"], *layout["banks"], ""}
            assert line.position in allowed, line
            always_absent = {row["component"] for row in layout["absent"] if row["from_year"] is None}
            if line.machine not in world.truth["defects"]["reused_plates"]:
                assert line.component not in always_absent, (model, line)
            seen += 1
    assert seen > 100_000


def test_size_of_the_world(world: World) -> None:
    assert sorted(world.rows) == FILES
    assert Counter(row["model"] for row in world.truth["machines"]) == POOL
    assert 200_000 < sum(len(rows) for rows in world.rows.values()) < 300_000
    at_work = [row for row in world.truth["machines"] if row["use"] == "private"]
    assert sum(8_000 <= row["first_km"] <= 60_000 for row in at_work) > 0.6 * len(at_work)


def test_files_have_the_exact_header_and_the_answers_stay_apart(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    assert main(["--seed", "2", "--scale", "0.02", "--out", str(tmp_path)]) == 0
    assert "cog-and-gasket.csv" in capsys.readouterr().out
    assert sorted(p.stem for p in tmp_path.glob("*.csv")) == FILES
    for path in tmp_path.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.reader(file)
            assert next(reader) == list(JOB_LINE_COLUMNS)
            assert all(len(row) == len(JOB_LINE_COLUMNS) for row in reader)
    assert "P01" in json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["effects"]


def test_a_machine_s_first_row_names_make_and_model_and_machine_rows_name_no_part(world: World) -> None:
    for slug in world.rows:
        known = set()
        for line in lines(world, slug):
            if line.machine not in known:
                assert line.make and line.model, line
                assert line.built or line.first_registered or line.model_year, line
                known.add(line.machine)
            assert bool(line.component) != (line.action in MACHINE_ACTIONS), line


def test_unknown_names_are_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="models: Lanner 600; known are Lanner 650"):
        build_world(1, models=["Lanner 600"])
    with pytest.raises(ValueError, match="scale above 0"):
        build_world(1, 0.0)
    assert {model.name for model in MODELS} == set(layouts())


def test_story_a_is_the_unknown_lanner() -> None:
    machine = story_bike()["machine"]
    assert (machine["model"], machine["built"], machine["odometer"]) == ("Lanner 650", "2012-11",
                                                                         {"value": 38000, "unit": "km"})  # fmt: skip
    assert story_bike()["history"] == [] and story_bike()["as_of"] == "2026-06-01"
    assert story_visit()["minutes"] == 30
