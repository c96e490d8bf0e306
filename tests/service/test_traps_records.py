"""Data traps of the trade brief (section on job cards), by number: words, machines, and what is entered twice."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.imports.frame_numbers import read_frame_number
from service.lifetimes import read_dataset
from service.models import JobCard, JobLine
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_corrections import lines
from tests.service.test_reviews import BY, answer, reviews, send

FIRST, LAST = seen("1", "2018-01-10", "20000"), seen("9", "2022-01-10", "33000")


def kinds(caller: Caller) -> set[str]:
    return {doubt["kind"] for doubt in reviews(caller)["doubts"]}


def test_d09_d10_words_stay_beside_what_they_were_taken_for(gasket: Caller) -> None:
    send(gasket, row(component="reg/rec"), row(card="1002", machine="M-2", component="RR"))
    one, two = lines(gasket)
    taken = one["understood"]
    assert (one["cells"]["component"], taken["component"]) == ("reg/rec", "regulator_rectifier")
    assert (taken["mapped_by"], taken["mapping_confidence"]) == ("synonym", 1.0)
    assert (two["cells"]["component"], two["understood"]["component"], two["in_doubt"]) == ("RR", None, True)
    (doubt,) = reviews(gasket)["doubts"]
    assert len(doubt["candidates"]) > 1


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


def test_d43_two_machines_on_one_card_are_two_visits(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, row(), row(machine="M-2", component="stator"))
    with app.database.read() as session:
        assert session.scalar(select(func.count(JobCard.id)).where(JobCard.number == "1001")) == 2
        assert len(set(session.scalars(select(JobLine.card_id)))) == 2


@pytest.mark.parametrize(
    ("cells", "kind"),
    [({"date": "2031-01-01"}, "future_date"), ({"date": "2011-01-01", "built": "2012-11"}, "before_built")],
)
def test_d44_impossible_dates_are_kept_for_review(gasket: Caller, cells: dict[str, str], kind: str) -> None:
    send(gasket, row(**cells))
    assert kinds(gasket) == {kind}
    assert lines(gasket)[0]["cells"]["date"] == cells["date"]
