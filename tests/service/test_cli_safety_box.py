"""The safety box of `weakspot inspect`: a check once, with the parts it is about by name."""

from __future__ import annotations

import pytest

from service.catalogue import current_catalogue
from service.cli_visit_text import _show_defects, console
from service.db import Database
from service.inspections.explained import safety_reply
from tests.service.callers import Caller
from tests.service.inspection_cases import again, find, start


def shown(defects: list[dict[str, object]], database: Database, capsys: pytest.CaptureFixture[str]) -> str:
    with database.read() as session:
        _show_defects(console(), defects, current_catalogue(session))
    return " ".join(capsys.readouterr().out.replace("│", " ").split())


def test_parts_are_named_and_the_check_is_not_repeated(
    gasket: Caller, database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    made = start(gasket)
    find(gasket, made, {"check": "T31q", "outcome": "fail"})
    find(gasket, made, {"check": "T32q", "component": "tyre", "position": "rear", "outcome": "marginal"})
    defects = again(gasket, made)["safety_defects"]
    assert len(defects) == 3
    text = shown(defects, database, capsys)
    title = defects[0]["title"]
    assert text.count(title) == 1
    assert f"{title} (Brake pads (or shoes); Brake disc): fail." in text
    assert "(Tyre, rear): marginal. In doubt" in text


def test_a_symptom_has_no_part(database: Database, capsys: pytest.CaptureFixture[str]) -> None:
    with database.read() as session:
        catalogue = current_catalogue(session)
    (row, *_) = [row for row in catalogue.symptoms if row.stop_riding]
    defects = safety_reply([], [{"id": row.id, "present": True}], catalogue)
    assert f"{row.title}: symptom." in shown(defects, database, capsys)
