"""Work on a part that the machine's model does not carry: kept, asked about, out of fits until somebody answers.

The rule is the layouts' own (`seed/layouts.json`): a Dray 300 is driven by a belt and has no chain.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from analytics.spells import Outcome
from service.app import WeakspotApp
from service.lifetimes import read_dataset
from service.models import ShopWord
from service.setup import load_layouts
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_reviews import answer, reviews, send

DRAY = {"machine": "D-1", "make": "Hexley", "model": "Dray 300", "family": "HX-30", "built": "2015-04"}
CHAIN = row(card="2", date="2018-05-02", odometer="30000", component="chain kit", reason="worn_to_limit", **DRAY)
SEEN = (seen("1", "2017-05-02", "20000", **DRAY), seen("3", "2019-05-02", "40000", **DRAY))


@pytest.fixture
def doubt(app: WeakspotApp, gasket: Caller) -> dict[str, Any]:
    load_layouts(app.database)
    send(gasket, *SEEN, CHAIN)
    (found,) = reviews(gasket)["doubts"]
    return dict(found)


def lives(app: WeakspotApp, slug: str) -> int:
    """How many ends of life of a component the fits see."""
    with app.database.read() as session:
        records = read_dataset(session).life_records([slug])
        return int(np.sum(records[slug].outcome != Outcome.CENSORED)) if slug in records else 0


def test_a_chain_on_a_belt_driven_scooter_is_asked_about(gasket: Caller, doubt: dict[str, Any]) -> None:
    assert (doubt["kind"], doubt["column"], doubt["value"]) == ("not_on_model", "component", "chain kit")
    assert "has no chain_sprockets" in doubt["detail"] and doubt["keeps_out_of_fits"]
    assert [choice["choice"] for choice in doubt["choices"]] == ["as_written", "part", "withdraw"]
    assert reviews(gasket, "?kind=not_on_model")["doubts"] == [doubt]


@pytest.mark.parametrize(
    ("said", "counted_as"),
    [
        ({"choice": "as_written"}, "chain_sprockets"),
        ({"choice": "part", "component": "cvt_belt"}, "cvt_belt"),
        ({"choice": "withdraw"}, None),
    ],
)
def test_answers(
    app: WeakspotApp, gasket: Caller, doubt: dict[str, Any], said: dict[str, str], counted_as: str | None
) -> None:
    parts = ("chain_sprockets", "cvt_belt")
    assert [lives(app, slug) for slug in parts] == [0, 0]
    answer(gasket, {"doubt": doubt["id"], **said})
    assert reviews(gasket)["doubts"] == []
    assert [lives(app, slug) for slug in parts] == [int(slug == counted_as) for slug in parts]
    with app.database.read() as session:
        assert not session.scalars(select(ShopWord)).all()  # the word still means a chain on other machines


def test_no_doubt_where_the_model_has_the_part_or_is_not_known(app: WeakspotApp, gasket: Caller) -> None:
    load_layouts(app.database)
    known = row(card="2", component="chain kit", odometer="23000", reason="worn_to_limit")
    unheard = CHAIN | {"machine": "X-1", "make": "Brindlecote", "model": "Hob Nob 50", "family": ""}
    send(gasket, known, unheard)
    assert reviews(gasket)["doubts"] == []


def test_parts_of_some_years_only(app: WeakspotApp, gasket: Caller) -> None:
    """A Parson 800 had carburettors to model year 2007 and injection after; where it may be either nobody is asked."""
    load_layouts(app.database)
    machines = (
        {"model_year": "2005"}, {"model_year": "2012"}, {}, {"built": "2007-10"}, {"built": "2008-02"},
        {"first_registered": "2008-05-01"}, {"first_registered": "2009-05-01"},
    )  # fmt: skip
    rows = [
        row(card=f"4{k}", date="2018-03-01", machine=f"P-{k}", make="Marrowby", model="Parson 800",
            component="carburettor", odometer="30000", **known)
        for k, known in enumerate(machines)
    ]  # fmt: skip
    send(gasket, *rows)
    asked = {d["machine"]["reference"] for d in reviews(gasket)["doubts"] if d["kind"] == "not_on_model"}
    assert asked == {"P-1", "P-4", "P-6"}


def test_a_correction_to_a_part_the_model_lacks_is_asked_about_too(app: WeakspotApp, gasket: Caller) -> None:
    """The other way into the records: a belt's line rewritten as a chain's stands in doubt until somebody answers."""
    load_layouts(app.database)
    send(gasket, *SEEN, CHAIN | {"component": "cvt belt"})
    assert reviews(gasket)["doubts"] == [] and lives(app, "cvt_belt") == 1
    (line,) = gasket.get("/api/v1/job-lines?card=2").get_json()["lines"]
    said = {"by": "Ina", "why": "mistyped", "changes": {"component": "chain kit"}}
    assert gasket.post(f"/api/v1/job-lines/{line['id']}/corrections", json=said).status_code == 201
    (found,) = reviews(gasket)["doubts"]
    assert (found["kind"], found["column"], found["value"]) == ("not_on_model", "component", "chain kit")
    assert [lives(app, slug) for slug in ("chain_sprockets", "cvt_belt")] == [0, 0]
    answer(gasket, {"doubt": found["id"], "choice": "as_written"})
    assert reviews(gasket)["doubts"] == [] and lives(app, "chain_sprockets") == 1
    # Another cell of it corrected afterwards: what was answered stays answered.
    (line,) = gasket.get("/api/v1/job-lines?card=2").get_json()["lines"]
    said = {"by": "Ina", "why": "mistyped", "changes": {"notes": "rear sprocket too"}}
    assert gasket.post(f"/api/v1/job-lines/{line['id']}/corrections", json=said).status_code == 201
    assert reviews(gasket)["doubts"] == [] and lives(app, "chain_sprockets") == 1


def test_an_answer_that_names_another_part_the_model_lacks_is_asked_about(
    app: WeakspotApp, gasket: Caller, doubt: dict[str, Any]
) -> None:
    """A Dray 300 is fuelled by injection: a carburettor in place of the chain is no better."""
    answer(gasket, {"doubt": doubt["id"], "choice": "part", "component": "carburettor"})
    (found,) = reviews(gasket)["doubts"]
    assert found["kind"] == "not_on_model" and "has no carburettor" in found["detail"]
    assert [lives(app, slug) for slug in ("chain_sprockets", "carburettor")] == [0, 0]
