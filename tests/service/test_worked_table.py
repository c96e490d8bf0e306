"""The worked table 4.4 of the trade brief, from what the API says of each check; plans that take evidence in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.service.callers import Caller
from tests.service.inspection_cases import FREE, LANNER, charging, reading

STATES = ("regulator_rectifier", "stator", "charging_connector", "alternator_rotor", "battery")
PRIORS = (4.0, 2.0, 3.0, 0.3, 10.0, 80.7)  # per cent; the last is "none of these"
# Printed to a tenth; the one cell 29.8 was printed from a rounded row above it: exactly 29.747.
PRINTED = {
    ("T03", "fail"): (26.9, 13.5, 20.2, 2.0, 11.9, 25.6),
    ("T06", "pass"): (31.3, 1.2, 23.5, 0.4, 13.8, 29.747),
    ("T07", "pass"): (15.1, 1.5, 29.1, 0.5, 17.1, 36.8),
    ("T08", "fail"): (2.8, 0.3, 86.8, 0.1, 3.2, 6.9),
}


def rows_of(caller: Caller) -> Iterator[NDArray[np.float64]]:
    """The table's rows: each is the one above times the ratios that the API shows, scaled to 100.

    Exactly one of the five is bad, or none.
    """
    row = np.array(PRIORS)
    for check, outcome in PRINTED:
        targets = caller.get(f"/api/v1/checks/{check}").get_json()["targets"]
        ratios = {t["component"]: t["likelihood_ratios"][outcome] for t in targets}
        row = row * [*(ratios.get(state, 1.0) for state in STATES), 1.0]
        row = 100 * row / row.sum()
        yield row


def test_single_fault_table_from_the_ratios_shown(asker: Caller) -> None:
    for row, printed in zip(rows_of(asker), PRINTED.values(), strict=True):
        assert row == pytest.approx(printed, abs=0.05)


def plan(asker: Caller, **asked: Any) -> dict[str, Any]:
    response = asker.post("/api/v1/plans", json={"machine": LANNER, "as_of": "2026-06-01", **FREE, **asked})
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.get_json()
    return document


def worth(document: dict[str, Any], *checks: str) -> float:
    return sum(line["worth"] for line in document["lines"] if line["check"] in checks)


def test_plan_takes_evidence_in(asker: Caller) -> None:
    plain, told = plan(asker), plan(asker, symptoms=[{"id": "S07"}])
    charging_checks = ("T03", "T05", "T06", "T07", "T08")
    assert worth(told, *charging_checks) > worth(plain, *charging_checks)
    measured = plan(asker, measurements=[charging(12.9)])
    assert "T03" not in [line["check"] for line in measured["lines"]]
    assert worth(measured, *charging_checks) > worth(plain, *charging_checks)


def test_plan_of_a_non_runner_asks_for_no_running_engine(asker: Caller) -> None:
    dead = plan(asker, symptoms=[{"id": "S04"}])
    assert not {"running", "hot"} & {line["stage"] for line in dead["lines"]}
    assert "will_not_run" in {entry["code"] for entry in dead["left_out"]}


def test_plan_names_safety_defects_before_its_lines(asker: Caller) -> None:
    worn = {"check": "T31", "component": "brake_pad", "readings": [reading(1.0, unit="mm")]}
    document = plan(asker, measurements=[worn])
    names = list(document)
    assert names.index("safety_defects") < names.index("lines")
    assert [d["component"] for d in document["safety_defects"]] == ["brake_pad"]
    assert plan(asker)["safety_defects"] == []
