"""The review list: evidence and choices, answers in bulk and for like rows, lines superseded and back in fits."""

from __future__ import annotations

import io
from typing import Any

from sqlalchemy import select

from service.app import WeakspotApp
from service.lifetimes import read_dataset
from service.models import JobLine, ShopWord, StaleComponent
from tests.service.callers import Caller
from tests.service.job_files import csv_file, row, seen

BY = {"by": "Ina", "why": "looked at the paper card"}


def send(caller: Caller, *rows: dict[str, str]) -> dict[str, Any]:
    response = caller.post("/api/v1/imports", data={"file": (io.BytesIO(csv_file(rows)), "cards.csv")})
    assert response.status_code == 201, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def reviews(caller: Caller, query: str = "") -> dict[str, Any]:
    response = caller.get(f"/api/v1/reviews{query}")
    assert response.status_code == 200, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def answer(caller: Caller, *answers: dict[str, Any], status: int = 201) -> dict[str, Any]:
    response = caller.post("/api/v1/reviews/answers", json={**BY, "answers": list(answers)})
    assert response.status_code == status, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def test_an_ambiguous_word_is_asked_once_for_all_like_rows(app: WeakspotApp, gasket: Caller) -> None:
    rows = [row(card=f"20{k}", date=f"2019-0{k}-01", machine=f"M-{k}", component="RR") for k in range(1, 4)]
    assert send(gasket, *rows)["share_in_doubt"] == 1.0
    listed = reviews(gasket, "?kind=ambiguous_word")
    assert (len(listed["doubts"]), listed["share_in_doubt"], listed["counts"]) == (3, 1.0, {"ambiguous_word": 3})
    first = listed["doubts"][0]
    assert (first["like"], first["cells"]["component"], first["keeps_out_of_fits"]) == (2, "RR", True)
    meanings = {c["meaning"]: c["component"] for c in first["candidates"]}
    assert meanings["regulator_rectifier"] == "regulator_rectifier"
    assert meanings["rear right"] is None
    assert sum(c["weight"] for c in first["candidates"]) > 0.99
    done = answer(
        gasket, {"doubt": first["id"], "choice": "part", "component": "regulator_rectifier", "apply_to_like": True}
    )
    assert (done["answered"], done["lines_superseded"], done["share_in_doubt"]) == (3, 3, 0.0)
    assert reviews(gasket)["doubts"] == []
    with app.database.read() as session:
        in_force = session.scalars(select(JobLine).where(JobLine.superseded_by_id.is_(None))).all()
        assert {(line.as_written[11], line.mapped_by, line.recorded_by) for line in in_force} == {("RR", "shop", "Ina")}
        assert session.scalars(select(StaleComponent.component_slug)).all() == ["regulator_rectifier"]
        assert session.scalars(select(ShopWord.folded)).all() == ["rr"]
    settled = reviews(gasket, "?settled=true")["doubts"]
    assert {(d["settled_by"], d["choice"], d["answer"], d["why"]) for d in settled} == {
        ("Ina", "part", "regulator_rectifier", BY["why"])
    }


def test_the_figures_of_the_list_follow_the_lines(gasket: Caller) -> None:
    send(gasket, *(row(card=f"20{k}", date=f"2019-0{k}-01", machine=f"M-{k}", component="RR") for k in range(1, 4)))
    before = reviews(gasket)
    assert (before["share_in_doubt"], before["missing_readings"]["failed"]["without_reading"]) == (1.0, 0)
    first = before["doubts"][0]
    answer(gasket, {"doubt": first["id"], "choice": "part", "component": "regulator_rectifier"})
    assert reviews(gasket)["share_in_doubt"] == 2 / 3
    send(gasket, row(card="204", date="2019-04-01", machine="M-4", odometer="", unit=""))
    after = reviews(gasket)
    assert after["share_in_doubt"] == 2 / 4
    assert after["missing_readings"]["failed"] == {"lines": 4, "without_reading": 1, "share": 0.25}


def test_readings_that_nobody_took_are_counted_alike(gasket: Caller) -> None:
    places = (("M-1", "11111"), ("M-2", "11111"), ("M-3", "99999"))
    send(gasket, *(row(card=f"30{k}", machine=who, odometer=said) for k, (who, said) in enumerate(places)))
    listed = reviews(gasket, "?kind=filler_reading")["doubts"]
    assert {(d["machine"]["reference"], d["like"]) for d in listed} == {("M-1", 1), ("M-2", 1), ("M-3", 0)}


def test_the_shop_is_not_asked_twice_and_others_are(gasket: Caller, arches: Caller) -> None:
    send(gasket, row(component="RR"))
    (doubt,) = reviews(gasket)["doubts"]
    answer(gasket, {"doubt": doubt["id"], "choice": "part", "component": "regulator_rectifier"})
    again = row(card="3001", date="2024-05-01", odometer="50000", component="R/R")
    assert send(gasket, again)["doubts"] == []
    assert {d["kind"] for d in send(arches, again)["doubts"]} == {"ambiguous_word"}


def test_a_shop_that_meant_two_things_is_asked_again(gasket: Caller) -> None:
    send(gasket, row(component="dynamo"), row(card="1002", machine="M-2", component="dynamo"))
    for doubt, slug in zip(reviews(gasket)["doubts"], ("stator", "alternator_rotor"), strict=True):
        answer(gasket, {"doubt": doubt["id"], "choice": "part", "component": slug})
    send(gasket, row(card="1003", machine="M-3", component="dynamo"))
    (doubt,) = reviews(gasket)["doubts"]
    assert (doubt["kind"], {c["component"]: c["weight"] for c in doubt["candidates"]}) == (
        "ambiguous_word",
        {"stator": 0.5, "alternator_rotor": 0.5},
    )


def test_nothing_in_doubt_enters_a_fit_until_it_is_answered(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, seen("1000", "2018-01-10", "20000"), row(odometer="2300"), seen("1003", "2020-01-10", "26000"))
    with app.database.read() as session:
        before = read_dataset(session)
    assert before.lines.in_doubt.any()
    wrong = [d for d in reviews(gasket)["doubts"] if d["value"] == "2300 km"]
    assert wrong[0]["readings"][0]["odometer"] == "20000"
    done = answer(gasket, {"doubt": wrong[0]["id"], "choice": "reading", "value": "23000", "unit": "km"})
    assert done["lines_in_doubt"] == 0  # the other readings' doubts went with it
    with app.database.read() as session:
        dataset = read_dataset(session)
        assert not dataset.lines.in_doubt.any()
        assert [float(v) for v in dataset.lines.reading_km] == [20000.0, 23000.0, 26000.0]
        (spells,) = [s for slug, s in dataset.life_records().items() if slug == "regulator_rectifier"]
        assert [float(v) for v in spells.exit_km] == [23000.0, 26000.0]


def test_right_as_written_is_not_asked_again(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "11111"))
    (doubt,) = reviews(gasket)["doubts"]
    answer(gasket, {"doubt": doubt["id"], "choice": "as_written"})
    assert send(gasket, seen("2", "2018-09-10", "12500"))["doubt_counts"] == {}
    again = gasket.post(
        "/api/v1/imports", data={"file": (io.BytesIO(csv_file([seen("1", "2018-01-10", "11111")])), "x")}
    )
    assert again.get_json()["summary"]["lines_new"] == 0


def test_answers_that_cannot_be_used_write_nothing(gasket: Caller, arches: Caller) -> None:
    send(gasket, row(component="CPS", position=""))
    (doubt,) = reviews(gasket)["doubts"]
    good = {"doubt": doubt["id"], "choice": "part", "component": "crank_position_sensor"}
    for changed, pointer in (
        ({"component": "flux_capacitor"}, "/answers/0/component"),
        ({"position": "left"}, "/answers/0/position"),
        ({"choice": "date"}, "/answers/0/choice"),
        ({"doubt": "01900000-0000-7000-8000-000000000000"}, "/answers/0/doubt"),
    ):
        document = answer(gasket, good | changed, status=422)
        assert document["errors"][0]["pointer"] == pointer
    assert answer(arches, good, status=422)["errors"][0]["pointer"] == "/answers/0/doubt"
    assert len(reviews(gasket)["doubts"]) == 1
    answer(gasket, good)
    answer(gasket, good, status=409)


def test_the_list_is_filtered_and_paged(gasket: Caller, arches: Caller) -> None:
    send(gasket, row(component="RR"), row(card="1002", component="pump", machine="M-2"), seen("9", "2030-01-01", "1"))
    assert {d["kind"] for d in reviews(gasket, "?column=date")["doubts"]} == {"future_date"}
    machine = gasket.get("/api/v1/machines?reference=M-2").get_json()["machines"][0]["id"]
    assert [d["cells"]["component"] for d in reviews(gasket, f"?machine={machine}")["doubts"]] == ["pump"]
    first = reviews(gasket, "?limit=2")
    rest = reviews(gasket, f"?limit=2&after={first['next']}")
    assert len(first["doubts"]) == 2 and {d["id"] for d in rest["doubts"]}.isdisjoint(d["id"] for d in first["doubts"])
    assert reviews(arches)["doubts"] == []
