"""Data traps of the trade brief (section on job cards), by number: words, machines, and what is entered twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from analytics.spells import Outcome
from service.app import WeakspotApp
from service.catalogue import current_catalogue, store_catalogue
from service.imports.frame_numbers import read_frame_number
from service.lifetimes import read_dataset
from service.models import JobCard, JobLine
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_corrections import LATER, lines
from tests.service.test_reviews import BY, answer, reviews, send

FIRST, LAST = seen("1", "2018-01-10", "20000"), seen("9", "2022-01-10", "33000")


def kinds(caller: Caller) -> set[str]:
    return {doubt["kind"] for doubt in reviews(caller)["doubts"]}


def test_d09_words_stay_beside_what_they_were_taken_for(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, row(component="reg/rec"))
    (line,) = lines(gasket)
    taken = line["understood"]
    assert (line["cells"]["component"], taken["component"]) == ("reg/rec", "regulator_rectifier")
    assert (taken["mapped_by"], taken["mapping_confidence"]) == ("synonym", 1.0)
    version = shown(gasket, line)["catalogue"]
    # A later catalogue reads later lines; what was read before says by which words.
    with app.database.write() as session:
        store_catalogue(session, replace(current_catalogue(session), version="of another year"), LATER)
    app.now = lambda: LATER + timedelta(days=1)  # type: ignore[method-assign]
    send(gasket, row(card="1002", machine="M-2", component="rec/reg"))
    assert [shown(gasket, each)["catalogue"] for each in lines(gasket)] == [version, "of another year"]
    # A person's correction takes the place of the mapping, says whose it is, and leaves the words alone.
    body = {**BY, "changes": {"component": "stator"}}
    reply = gasket.post(f"/api/v1/job-lines/{line['id']}/corrections", json=body).get_json()
    assert (reply["line"]["understood"]["component"], reply["line"]["recorded_by"]) == ("stator", "Ina")
    assert reply["trail"][0]["cells"]["component"] == "reg/rec"


@pytest.mark.parametrize("word", ["RR", "R+R", "reg", "CPS", "TPS", "sensor", "pump"])
def test_d10_a_word_with_several_meanings_is_asked(app: WeakspotApp, gasket: Caller, word: str) -> None:
    send(gasket, FIRST, row(component=word), LAST)
    (line,) = lines(gasket, "?card=1001")
    assert (line["cells"]["component"], line["understood"]["component"], line["in_doubt"]) == (word, None, True)
    (doubt,) = reviews(gasket)["doubts"]
    weights = [candidate["weight"] for candidate in doubt["candidates"]]
    assert len(weights) > 1 and sum(weights) == pytest.approx(1, abs=0.001) and max(weights) < 0.9
    with app.database.read() as session:
        assert read_dataset(session).life_records() == {}


def test_d10_the_rest_of_the_card_weighs_the_meanings(gasket: Caller) -> None:
    """By itself "reg" is a regulator of either sort; one fuel part on its card speaks for the fuel's, two decide."""
    for number, others in enumerate([(), ("fuel_pump",), ("fuel_pump", "fuel_filter")]):
        card = {"card": f"c{number}", "machine": f"M-{number}"}
        send(gasket, row(component="reg", **card), *(row(component=part, **card) for part in others))
    asked = [
        {c["component"]: c["weight"] for c in doubt["candidates"]}["fuel_pressure_regulator"]
        for doubt in reviews(gasket, "?kind=ambiguous_word")["doubts"]
    ]
    assert len(asked) == 2 and asked[0] == 0.5 < asked[1] < 0.9
    (decided,) = (line["understood"] for line in lines(gasket, "?card=c2") if line["cells"]["component"] == "reg")
    assert (decided["component"], decided["mapped_by"]) == ("fuel_pressure_regulator", "context")
    assert 0.9 <= decided["mapping_confidence"] < 1


def shown(caller: Caller, line: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = caller.get(f"/api/v1/job-lines/{line['id']}").get_json()
    return found


def links(caller: Caller, card: str) -> list[dict[str, Any]]:
    (line,) = lines(caller, f"?card={card}")
    found: list[dict[str, Any]] = caller.get(f"/api/v1/job-lines/{line['id']}").get_json()["links"]
    return found


def test_d13_a_card_typed_twice_is_merged_with_a_trail_and_can_be_undone(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(), row(card="1001b"), LAST)
    (doubt,) = reviews(gasket)["doubts"]
    assert (doubt["kind"], doubt["keeps_out_of_fits"]) == ("duplicate_card", False)
    answer(gasket, {"doubt": doubt["id"], "choice": "same_job"})
    (link,) = links(gasket, "1001b")
    assert (link["kind"], link["made_by"], link["to_job_line"]) == (
        "duplicate",
        "Ina",
        lines(gasket, "?card=1001")[0]["id"],
    )

    def used() -> int:
        with app.database.read() as session:
            return len(read_dataset(session).line_ids)

    assert used() == 3
    undone = gasket.post(f"/api/v1/job-lines/links/{link['id']}/undo", json=BY)
    assert (undone.status_code, undone.get_json()["undone_by"], used()) == (200, "Ina", 4)
    (shown,) = gasket.get(f"/api/v1/job-lines/{link['job_line']}").get_json()["links"]
    assert shown["undone_why"] == BY["why"]
    assert gasket.post(f"/api/v1/job-lines/links/{link['id']}/undo", json=BY).status_code == 409


@pytest.mark.parametrize(("choice", "failures"), [("faulty_part", 1), ("wrong_diagnosis", 1), ("two_events", 2)])
def test_d14_a_comeback_is_linked_and_one_event_unless_said_otherwise(
    app: WeakspotApp, gasket: Caller, choice: str, failures: int
) -> None:
    send(gasket, FIRST, row(), row(card="1002", date="2019-03-20", odometer="23100"), LAST)
    (doubt,) = reviews(gasket)["doubts"]
    assert doubt["kind"] == "comeback"
    answer(gasket, {"doubt": doubt["id"], "choice": choice})
    (link,) = links(gasket, "1002")
    assert (link["kind"], link["cause"]) == (("two_events", None) if choice == "two_events" else ("comeback", choice))
    with app.database.read() as session:
        spells = read_dataset(session).life_records()["regulator_rectifier"]
    assert int((spells.outcome == 1).sum()) == failures
    assert reviews(gasket)["doubts"] == []


@pytest.mark.parametrize(
    ("written", "normalised", "check"),
    [
        # Invented numbers; check digits worked out by the weights of 49 CFR 565.15.
        ("GTDLN65A2CA000127", "GTDLN65A2CA000127", "ok"),
        ("gtdsh90a4fa000033 ", "GTDSH90A4FA000033", "ok"),
        ("GTDLN65A0CA000127", "GTDLN65A0CA000127", "fails"),
        ("GTDLN65A2CAO00127", "GTDLN65A2CAO00127", "letters"),
        ("11111111111111111", "11111111111111111", "ok"),  # all ones: sum 89, 89 mod 11 = 1
        ("LN65-0100127", "LN65-0100127", "not_applicable"),
        ("A000482", "A000482", "partial"),
        ("van 3", "VAN3", "not_applicable"),
    ],
)
def test_d33_a_frame_number_is_checked_and_never_rejected(written: str, normalised: str, check: str) -> None:
    assert read_frame_number(written) == (written, normalised, check)


def test_d43_two_machines_on_one_card_are_two_visits_that_name_each_other(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, row(), row(machine="M-2", component="stator"), row(card="1002", date="2020-01-01", odometer="25000"))
    with app.database.read() as session:
        assert session.scalar(select(func.count(JobCard.id)).where(JobCard.number == "1001")) == 2
        assert len(set(session.scalars(select(JobLine.card_id)))) == 3
        found = read_dataset(session).life_records()
    # The stator failed on the other machine, which was seen but once: no failure of this one's.
    assert [(len(found[slug].machine), found[slug].outcome[0]) for slug in ("regulator_rectifier", "stator")] == [
        (1, Outcome.CENSORED), (1, Outcome.CENSORED),
    ]  # fmt: skip
    one, two, alone = lines(gasket)
    assert [other["reference"] for other in shown(gasket, one)["same_card"]] == ["M-2"]
    assert [other["reference"] for other in shown(gasket, two)["same_card"]] == [row()["machine"]]
    assert shown(gasket, alone)["same_card"] == []


IMPOSSIBLE = [
    ({"date": "2031-01-01"}, "future_date"),
    ({"date": "2011-01-01", "built": "2012-11"}, "before_built"),
    # Fitted, as papers say, before there was a machine to fit it to: a part older than the bike.
    ({"date": "2012-05", "built": "2012-11", "source": "papers", "odometer": "", "unit": ""}, "before_built"),
]


@pytest.mark.parametrize(("cells", "kind"), IMPOSSIBLE)
def test_d44_impossible_dates_are_kept_for_review(
    app: WeakspotApp, gasket: Caller, cells: dict[str, str], kind: str
) -> None:
    send(gasket, FIRST, row(**cells), LAST)
    assert kinds(gasket) == {kind}
    (line,) = (each for each in lines(gasket) if each["card"] == "1001")
    assert (line["cells"]["date"], line["in_doubt"]) == (cells["date"], True)
    (doubt,) = reviews(gasket)["doubts"]
    assert doubt["keeps_out_of_fits"]
    answer(gasket, {"doubt": doubt["id"], "choice": "date", "value": "2019-03-12"})
    assert reviews(gasket)["doubts"] == []
    assert [each["in_doubt"] for each in lines(gasket)] == [False] * 3


def test_d44_who_writes_a_future_day_now_is_told_at_once(gasket: Caller) -> None:
    """A file's future date waits on the list with its row; over HTTP there is somebody to ask."""
    response = gasket.post("/api/v1/job-lines", json=row(date="2031-01-01"))
    assert (response.status_code, response.get_json()["errors"][0]["pointer"]) == (422, "/date")
    assert lines(gasket) == []
