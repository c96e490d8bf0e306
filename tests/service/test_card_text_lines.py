"""The 22 raw lines of the trade brief (section on job cards, own examples): the expected record of each, by number.

Expected records are worked out by hand from the brief's column "what happened".
"""

from __future__ import annotations

from typing import Any

import pytest

from service.db import Database
from service.imports.words import CatalogueWords, catalogue_words
from tests.service.card_cases import open_about, read, told

REAR = ("rear_left", "rear_right", "rear_carrier")
FRONT = ("front_left", "front_right")
EARTHS = ("battery_engine", "battery_frame")
WHAT, WHICH, WORD = ("text_unclear", "action"), ("position_unclear", "position"), ("ambiguous_word", "component")
UNIT, FILLER = ("text_unclear", "unit"), ("filler_reading", "odometer")

LINES: list[tuple[int, tuple[str, ...], list[tuple[Any, ...]], set[tuple[str, str]]]] = [
    (
        1,
        ("12/3/19 23k reg/rec + batt",),
        [("regulator_rectifier", (), "renewed", "unknown"), ("battery", (), "renewed", "unknown")],
        {("text_unclear", "date"), UNIT, WHAT},
    ),
    (2, ("R+R front wheel brgs",), [("wheel_bearing", FRONT, None, "unknown")], {WHICH, WHAT}),
    (3, ("RR fitted",), [(None, (), "renewed", "unknown")], {WORD}),
    (
        4,
        ("not charging. stator to earth on 2 phases. new pattern stator + gskt, c/o rec",),
        [("stator", (), "renewed", "failed"), ("regulator_rectifier", (), "checked_good", "unknown")],
        set(),
    ),
    (5, ("inj cleaned x2, runs ok",), [("injector", (), "repaired", "unknown")], set()),
    (
        6,
        ("F&R pads, bled", "brake fluid"),
        [
            ("brake_pad", FRONT, "renewed", "unknown"),
            ("brake_pad", ("rear",), "renewed", "unknown"),
            ("brake_fluid", ("front", "rear"), "renewed", "unknown"),
        ],
        {WHICH, WHAT},
    ),
    (7, ("svc 18000 (miles?)",), [], {UNIT}),
    (
        8,
        ("clocks swapped s/h 9k on new ones was 31",),
        [("instrument_cluster", (), "renewed", "unknown")],
        {UNIT, ("text_unclear", "odometer")},
    ),
    (9, ("chain & spkts cust supplied",), [("chain_sprockets", (), "renewed", "unknown")], set()),
    (
        10,
        ("found rear w/brg rough at MOT prep, chg'd",),
        [("wheel_bearing", REAR, "renewed", "found_failed")],
        {WHICH},
    ),
    (
        11,
        ("dropped: rad, lever, ind",),
        [("radiator_hoses", ("radiator",), "renewed", "damage"), (None, (), "renewed", "damage")],
        {WORD, WHAT},
    ),
    (
        12,
        ("fitted uprated reg (series) - customer request",),
        [("regulator_rectifier", (), "renewed", "upgrade")],
        set(),
    ),
    (13, ("belt due (fleet, 14,9xx km)",), [(None, (), "renewed", "scheduled")], {WORD}),
    (14, ("N/S fork seal",), [("fork_seal", ("left",), "renewed", "unknown")], {WHAT}),
    (15, ("no fault found, cleaned earths",), [("earth_point", EARTHS, "repaired", "unknown")], {WHICH}),
    (
        16,
        ("coil swap 1<->2, fault moved, ordered",),
        [
            ("ignition_coil", ("1", "2"), "swapped", "unknown"),
            ("ignition_coil", ("1", "2"), "checked_bad", "failed"),
        ],
        {WHICH},
    ),
    (
        17,
        ("won't start, fuel pump £££, still wouldn't, was side stand sw",),
        [
            ("fuel_pump", (), "renewed", "misdiagnosis"),
            ("interlock_switch", ("side_stand",), "checked_bad", "failed"),
        ],
        {("misdiagnosis", "reason")},
    ),
    (18, ("valves checked ok",), [("valve_train", (), "checked_good", "unknown")], set()),
    (19, ("recall reg done",), [(None, (), "renewed", "campaign")], {WORD}),
    (20, ("as above other bike",), [], {("text_unclear", "card")}),
    (21, ("odo 99999",), [], {FILLER, UNIT}),
    (21, ("odo 0",), [], {FILLER, UNIT}),
    (21, ("odo 1234",), [], {FILLER, UNIT}),
    (22, ("Feb 21 (approx) prev owner, per receipts",), [], set()),
]


@pytest.fixture(scope="module")
def words(shared_database: Database) -> CatalogueWords:
    with shared_database.read() as session:
        return catalogue_words(session)


@pytest.mark.parametrize(("number", "lines", "records", "doubts"), LINES, ids=[f"{n}: {t[0]}" for n, t, *_ in LINES])
def test_line(
    words: CatalogueWords,
    number: int,
    lines: tuple[str, ...],
    records: list[tuple[Any, ...]],
    doubts: set[tuple[str, str]],
) -> None:
    found = read(words, *lines)
    assert told(found) == records
    assert open_about(found) == doubts
    assert found.raw == lines
