"""A broken data file is refused with file, entry and field."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.catalogue_files import DataFileError, read_catalogue

FOLDER = Path(__file__).parents[2] / "seed" / "catalogue"
Change = Callable[[list[dict[str, Any]]], Any]


def broken_copy(target: Path, file: str, change: Change) -> Path:
    shutil.copytree(FOLDER, target)
    content = json.loads((target / file).read_text(encoding="utf-8"))
    part = next(name for name, value in content.items() if isinstance(value, list))
    change(content[part])
    (target / file).write_text(json.dumps(content), encoding="utf-8")
    return target


def put(index: int, value: Any, *path: Any) -> Change:
    def change(entries: list[dict[str, Any]]) -> None:
        place: Any = entries[index]
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value

    return change


BROKEN = [
    ("components.json", lambda e: e[0].pop("policy"), "components.json: stator: policy: is missing"),
    ("components.json", put(0, 2.5, "life", "scale_km"), "stator: life.scale_km: must be a whole number, is 2.5"),
    ("components.json", put(0, "2", "life", "shape"), "stator: life.shape: must be a number, not '2'"),
    ("components.json", put(0, -1, "life", "shape"), "stator: life.shape: must be above 0, is -1"),
    ("components.json", put(0, "Z", "safety_class"), "stator: safety_class: 'Z' is not one of A, B, C"),
    ("components.json", put(0, ["left"], "positions"), "stator: positions: rule single needs an empty list"),
    ("components.json", put(0, None, "life", "scale_km"), "stator: life: give scale_km, scale_years or both"),
    ("components.json", put(0, 1, "colour"), "stator: colour: is not a field of this entry"),
    ("components.json", put(1, "stator", "slug"), "components.json: stator: slug: appears twice; keep one"),
    ("components.json", put(0, None, "name"), "stator: name: must not be null"),
    ("components.json", put(0, 7, "name"), "stator: name: must be text"),
    ("components.json", put(0, " ", "name"), "stator: name: must not be empty"),
    ("components.json", put(0, "open", "modes"), "stator: modes: must be a list"),
    ("components.json", put(0, "short", "life"), "stator: life: must be an object with named fields"),
    ("components.json", put(0, "none", "pf", "kind"), "stator: pf: kind none excludes km or months"),
    ("components.json", put(4, ["a", "b"], "slug"), "components entry 5: slug: must be text"),
    ("components.json", put(3, ["left", "left"], "positions"), "charging_connector: positions: names a position twice"),
    ("components.json", put(3, [], "positions"), "positions: rule fixed needs at least one name"),
    ("components.json", put(0, "ROOF", "access_group"), "stator: access_group: 'ROOF' is not among the access groups"),
    ("components.json", put(0, "true", "shown_by_running"), "shown_by_running: must be true or false, not 'true'"),
    ("checks.json", put(0, ["C5", "C99"], "cautions"), "checks.json: T01: cautions: 'C99' is not among the cautions"),
    ("checks.json", put(0, "flux", "targets", 0, "component"), "T01: targets: 'flux' is not among the components"),
    (
        "checks.json",
        put(0, 0.6, "targets", 0, "given_bad", "fail"),
        "T01: targets[0].given_bad: fail, marginal and pass must add up to 1, they add up to 1.05",
    ),
    ("checks.json", put(0, [], "sources"), "T01: sources: lacks BAT1, which the text cites"),
    ("checks.json", put(3, False, "weak_pass"), "T04: weak_pass: must be true exactly when it is true for a target"),
    ("checks.json", put(0, [], "targets"), "T01: targets: a check judges components, or names in mark_of"),
    ("checks.json", put(2, None, "set_name"), "T03: set_name: is needed for a set-level check, and only there"),
    ("quick_variants.json", put(0, "T77", "parent"), "T08q: parent: 'T77' is not among the checks"),
    ("limits.json", put(0, 13.0, "marginal_low"), "T01-01: marginal_low: the marginal band must lie outside pass_low"),
    ("limits.json", put(0, ["WM99"], "sources"), "limits.json: T01-01: sources: 'WM99' is not among the sources"),
    ("limits.json", put(0, "yesterday", "as_of"), "T01-01: as_of: must be a date like 2019-03-06: is 'yesterday'"),
    ("limits.json", put(0, "UK", "region"), "T01-01: region: is needed for a jurisdiction limit, and only there"),
    ("limits.json", put(0, False, "class_default"), "T01-01: class_default: must agree with scope"),
    ("limits.json", put(0, None, "pass_low"), "T01-01: needs pass_low, pass_high or both"),
    ("limits.json", put(0, 12.0, "pass_high"), "T01-01: pass_low: lies above pass_high 12.0"),
    ("limits.json", put(5, None, "mark"), "T01-06: mark: a limit without a source needs a mark"),
    ("symptoms.json", put(0, [], "lr"), "S01: lr: must be an object of component: ratio"),
    ("symptoms.json", put(0, {"flux": 2}, "lr"), "S01: lr: 'flux' is not among the components"),
    ("symptoms.json", put(0, {"battery": 0}, "lr"), "S01: lr.battery: must be a number above 0, not 0"),
    ("synonyms.json", put(0, ["regulator_rectifier"], "ambiguous_with"), "ambiguous_with: names the component itself"),
    ("evidence_rules.json", put(0, 1.5, "reported_exponent"), "reported_exponent: must be at most 1, is 1.5"),
    ("access_groups.json", put(0, -0.1, "hours"), "OPEN: hours: must be at least 0, is -0.1"),
    ("history_facts.json", put(0, ["T99"], "voids_checks"), "H01: voids_checks: 'T99' is not among the checks or"),
    ("synonyms.json", put(0, "roof", "position"), "reg: position: 'roof' is not a position of regulator_rectifier"),
    ("evidence_rules.json", lambda e: e.clear(), "evidence_rules.json: evidence_rules: must hold exactly one entry"),
]


@pytest.mark.parametrize(("file", "change", "message"), BROKEN, ids=[message for _, _, message in BROKEN])
def test_broken_entry(tmp_path: Path, file: str, change: Change, message: str) -> None:
    folder = broken_copy(tmp_path / "catalogue", file, change)
    with pytest.raises(DataFileError) as refusal:
        read_catalogue(folder)
    assert message in str(refusal.value)
    assert all(problem.file == file for problem in refusal.value.problems)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    def change(entries: list[dict[str, Any]]) -> None:
        for entry in entries:
            del entry["name"]

    folder = broken_copy(tmp_path / "catalogue", "components.json", change)
    with pytest.raises(DataFileError) as refusal:
        read_catalogue(folder)
    assert len(refusal.value.problems) == 51
    assert str(refusal.value).endswith("... and 31 more")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "checks.json: the file is missing from catalogue/"),
        (b"\xff\xfe", "checks.json: is not UTF-8 text"),
        (b'{"version": ', "checks.json: is not JSON: Expecting value at line 1, column 13"),
        (b"[]", "checks.json: must hold one JSON object"),
        (b'{"version": "2026.1", "checks": {}}', "checks.json: checks: must be a list of entries"),
        (b'{"version": 2026, "checks": []}', "checks.json: version: must be text such as 2026.1"),
        (b'{"version": "1999", "checks": []}', "checks.json: version: is 1999, but components.json says 2026.4"),
        (b'{"version": "2026.1", "checks": [], "tests": []}', "checks.json: tests: is not a list this file may hold"),
        (b'{"version": "2026.1", "checks": [7]}', "checks.json: checks entry 1: must be an object with named fields"),
    ],
)
def test_broken_file(tmp_path: Path, content: bytes | None, message: str) -> None:
    folder = tmp_path / "catalogue"
    shutil.copytree(FOLDER, folder)
    (folder / "checks.json").unlink()
    if content is not None:
        (folder / "checks.json").write_bytes(content)
    with pytest.raises(DataFileError) as refusal:
        read_catalogue(folder)
    assert message in str(refusal.value)
