"""A shop with one of everything that has an id."""

from __future__ import annotations

import io
from typing import Any

from tests.service.callers import Caller
from tests.service.inspection_cases import FREE, charging
from tests.service.job_files import csv_file, row, seen

API = "/api/v1"
SAID = {"by": "A. Person", "why": "seen on the day"}


def ok(response: Any) -> Any:
    """The document of a reply that must be good."""
    assert response.status_code in (200, 201), response.text
    return response.get_json()


def fill(caller: Caller) -> None:
    """Machines, lines, an import, doubts, a correction, links, an inspection with all it can have."""
    rows = [row(), row(card="2", date="2020-01-01", odometer="20000"), row(card="3", component="reg thing"),
            seen("4", "2021-01-01", "31000")]  # fmt: skip
    ok(caller.post(f"{API}/imports", data={"file": (io.BytesIO(csv_file(rows)), "cards.csv")}))
    line = ok(caller.post(f"{API}/job-lines", json=row(card="5", date="2022-01-01", odometer="33000")))
    corrected = ok(
        caller.post(f"{API}/job-lines/{line['id']}/corrections", json={**SAID, "changes": {"odometer": "33100"}})
    )
    ok(caller.post(f"{API}/job-lines/{corrected['line']['id']}/links", json={**SAID, "kind": "withdrawn"}))
    machine = line["machine"]
    visit = ok(caller.post(f"{API}/inspections", json={"machine_id": machine, **FREE}))
    where = f"{API}/inspections/{visit['id']}"
    ok(caller.post(f"{where}/findings", json=charging(12.9)))
    ok(caller.post(f"{where}/outcomes", json={"component": "battery", "really_bad": True}))
