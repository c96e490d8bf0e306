"""What requests made from a description can be about: ids and slugs made up are of nothing, and get no further.

A description says what a field looks like, not what is on record. So part of the requests are given the names of what
is, and part of those a document that is good but for what was made up of it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import schemathesis
from hypothesis import strategies as st
from schemathesis.core.parameters import ParameterLocation
from schemathesis.transport.serialization import Binary
from sqlalchemy import select

from service.app import WeakspotApp
from service.fitting import refit
from service.models import Doubt
from service.pool.publishing import publish
from service.pool.trail import COMMAND_LINE
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.inspection_cases import FREE, charging
from tests.service.job_files import csv_file, row, seen, take_in
from tests.service.pool_world import FRAMES, fill_pool
from tests.service.test_api_people import with_scope
from tests.service.test_photos import png
from tests.torture.records import API, SAID, fill, ok
from tests.torture.test_texts import cases, template

Names = Mapping[str, list[str]]
LINES = 24  # that nothing is said of yet; each can be corrected once, and its doubt answered once


@dataclass(frozen=True)
class OnRecord:
    """Names by the parameter or field that takes them, good documents by operation, and who may ask what."""

    names: Names
    bodies: Mapping[str, Any]
    keeper: Caller
    steward: Caller

    def token(self, label: str) -> str:
        """The token that may ask for an operation."""
        return (self.steward if "/pool/publications" in label else self.keeper).token


def put_on_record(app: WeakspotApp, gasket: Caller, arches: Caller, folder: Path) -> OnRecord:
    """Several shops with estimates and a publication, and of everything one can name, one or more."""
    app.settings = replace(app.settings, photo_folder=str(folder), pool_open=True)
    fill(gasket)
    # Two machines in the other shop too, by their frame numbers, and a pool to compare with.
    also = [seen("B1", "2018-02-10", "9000", machine=FRAMES[1])]
    seen_there = [seen("A1", "2018-02-10", "20500"), seen("A9", "2022-12-10", "34000")]
    take_in(app.database, csv_file(also))
    take_in(app.database, csv_file([*seen_there, *also]), shop="Sallow Lane Arches")
    fill_pool(app.database)
    keeper, steward = (with_scope(app, gasket.shop_id, scope) for scope in ("admin", "pool"))
    for shop in (with_scope(app, arches.shop_id, "admin"), keeper):
        ok(shop.post(f"{API}/machine-joins/agreement", json=SAID))
    joins = [join["id"] for join in ok(keeper.get(f"{API}/machine-joins"))["joins"]]
    ok(keeper.post(f"{API}/machine-joins/{joins[0]}/undo", json=SAID))
    names = {**names_of_catalogue(), **names_of_cards(app, keeper), **names_of_the_desk(keeper), "join_id": joins}
    bodies = good_bodies(keeper)
    bodies[f"POST {API}/imports"] = {"file": csv_file([row(card="more", machine="MORE-1")]).decode()}
    refit(app.database, pool_open=True, now=NOW)
    publish(app.database, now=NOW, pool_open=True, asker=COMMAND_LINE)
    return OnRecord(names, bodies, keeper, steward)


def names_of_catalogue() -> Names:
    return {"component": ["regulator_rectifier", "stator", "tyre"], "check_id": ["T03"], "check": ["T03"],
            "limit_id": ["T03-01"], "order_id": ["recommissioning"]}  # fmt: skip


def names_of_cards(app: WeakspotApp, caller: Caller) -> Names:
    """Machines, lines and what hangs on them."""
    rows = [row(card=f"n{n}", machine=f"NAMED-{n}", component=f"odd thing {n}") for n in range(LINES)]
    lines = [line["id"] for line in ok(caller.post(f"{API}/job-lines/bulk", json={"lines": rows}))["lines"]]
    machine = ok(caller.get(f"{API}/machines", query_string={"reference": row()["machine"]}))["machines"][0]["id"]
    where = f"{API}/machines/{machine}"
    changes = [
        ok(caller.post(f"{where}/engine-changes", json={**SAID, "changed_on": day}))["id"]
        for day in ("2021-05-01", "2022-05-01")
    ]
    links = [
        ok(caller.post(f"{API}/job-lines/{line}/links", json={**SAID, "kind": "withdrawn"}))["id"]
        for line in lines[-4:]
    ]
    visit = ok(caller.post(f"{API}/inspections", json={"machine_id": machine, **FREE}))["id"]
    at = f"{API}/inspections/{visit}"
    ok(caller.post(f"{at}/findings", json=charging(12.9)))
    finding = ok(caller.get(at))["findings"][0]["id"]
    photo = ok(caller.post(f"{at}/photos", data={"photo": (io.BytesIO(png()), "a.png")}))["id"]
    with app.database.read() as session:
        doubts = session.scalars(select(Doubt.public_id).where(Doubt.shop_id == caller.shop_id)).all()
    imports = [i["id"] for i in ok(caller.get(f"{API}/imports"))["imports"]]
    return {"machine_id": [machine], "line_id": lines[:-4], "to": lines[:2], "link_id": links,
            "change_id": changes, "inspection_id": [visit], "finding_id": [finding], "corrects": [finding],
            "photo_id": [photo], "doubt": [str(doubt) for doubt in doubts], "import_id": imports}  # fmt: skip


def names_of_the_desk(caller: Caller) -> Names:
    """Tokens that nobody uses, people and a job."""
    tokens = [ok(caller.post(f"{API}/tokens", json={"label": f"spare {n}"})) for n in range(2)]
    people = [ok(caller.post(f"{API}/people", json={"name": f"p{n}@shop-{caller.shop_id}.example", "role": "reader"}))
              for n in range(2)]  # fmt: skip
    job = caller.post(f"{API}/fits", json={"component": "stator"})
    assert job.status_code == 202, job.text
    return {"token_id": [t["id"] for t in tokens], "person_id": [p["id"] for p in people],
            "job_id": [job.get_json()["id"]]}  # fmt: skip


def good_bodies(caller: Caller) -> dict[str, Any]:
    """A good document of every operation that takes one, by method and address without names."""
    return {f"{case.method} {template(case.path)}": case.body for case in cases(caller)}


def without_names(path: str) -> str:
    """An address of the description without the names of its parameters."""
    return re.sub("{[^}]+}", "{}", path)


def about_record(case: schemathesis.Case, known: OnRecord, data: st.DataObject) -> None:
    """Have a request be about what is on record, good but for some fields of its document and of its query.

    What was made up so as not to fit the description stays as it is.
    """
    good = known.bodies.get(f"{case.method} {without_names(case.path)}")
    fits = {place: not case.meta.is_negative_at(place) for place in ParameterLocation}
    if good and isinstance(case.body, dict) and fits[ParameterLocation.BODY]:
        texts = {name: value for name, value in case.body.items() if not isinstance(value, Binary)}  # no files
        case.body = {**good, **_some(texts, data)}
    if case.query and fits[ParameterLocation.QUERY]:
        must = {p.name: case.query[p.name] for p in case.operation.query if p.is_required and p.name in case.query}
        case.query = {**_some(case.query, data), **must}
    for place, given in ((ParameterLocation.PATH, case.path_parameters), (ParameterLocation.QUERY, case.query)):
        if given and fits[place]:
            given.update({n: data.draw(st.sampled_from(known.names[n])) for n in sorted(given) if n in known.names})


def _some(given: Mapping[str, Any], data: st.DataObject) -> dict[str, Any]:
    """Two at most: among many made up one is sure to be of no use."""
    names = data.draw(st.sets(st.sampled_from(sorted(given)), max_size=2)) if given else ()
    return {name: given[name] for name in sorted(names)}
