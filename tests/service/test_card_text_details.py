"""What the trade brief's raw lines say beside part, action and reason: dates, readings, qualities, places."""

from __future__ import annotations

from datetime import date

import pytest

from service.db import Database
from service.imports.card_text import Locale
from service.imports.words import CatalogueWords, catalogue_words
from tests.service.card_cases import read, told


@pytest.fixture(scope="module")
def words(shared_database: Database) -> CatalogueWords:
    with shared_database.read() as session:
        return catalogue_words(session)


def test_what_else_the_lines_say(words: CatalogueWords) -> None:
    first = read(words, "12/3/19 23k reg/rec + batt")
    assert first.when is not None and first.reading is not None
    assert (first.when.earliest, first.when.latest) == (date(2019, 3, 12), date(2019, 12, 3))
    assert (first.reading.low, first.reading.high, first.reading.unit) == (22_500, 23_499, "unknown")
    stator = read(words, "not charging. stator to earth on 2 phases. new pattern stator + gskt, c/o rec")
    assert (stator.records[0].quality, stator.records[0].fault_found, stator.consumables) == (
        "pattern",
        True,
        ("gskt",),
    )
    injectors = read(words, "inj cleaned x2, runs ok")
    assert (injectors.records[0].count, injectors.works) == (2, True)
    service = read(words, "svc 18000 (miles?)")
    assert service.reading is not None and service.works
    assert (service.reading.low, service.reading.unit, service.reading.asked_unit) == (18_000, "unknown", "mi")
    clocks = read(words, "clocks swapped s/h 9k on new ones was 31")
    assert clocks.reading is not None and clocks.old_reading is not None
    assert (clocks.reading.low, clocks.reading.high) == (8_500, 9_499)
    assert (clocks.old_reading.low, clocks.old_reading.high) == (30_500, 31_499)
    assert clocks.records[0].quality == "used"
    assert read(words, "chain & spkts cust supplied").records[0].customer_supplied
    dropped = read(words, "dropped: rad, lever, ind")
    assert dropped.outside == ("lever",)
    assert {c.slug for c in dropped.records[1].candidates} == {"lighting", "instrument_cluster"}
    assert read(words, "fitted uprated reg (series) - customer request").records[0].fault_found is None
    assert read(words, "no fault found, cleaned earths").records[0].fault_found is False
    assert read(words, "coil swap 1<->2, fault moved, ordered").records[0].swapped == ("1", "2")
    pump = read(words, "won't start, fuel pump £££, still wouldn't, was side stand sw").records[0]
    assert pump.fault_found is False
    papers = read(words, "Feb 21 (approx) prev owner, per receipts")
    assert papers.when is not None and papers.source == "papers"
    # "approx" reaches a month beyond February on either side.
    assert (papers.when.earliest, papers.when.latest) == (date(2021, 1, 1), date(2021, 3, 31))


def test_belt_on_a_machine_that_has_one(words: CatalogueWords) -> None:
    """13: the fleet's scooters have drive belts on record, so the word is theirs; the reading is good to 100 km."""
    found = read(words, "belt due (fleet, 14,9xx km)", on_record=("cvt_belt",))
    assert told(found) == [("cvt_belt", (), "renewed", "scheduled")]
    assert found.reading is not None
    assert (found.reading.low, found.reading.high, found.reading.unit) == (14_900, 14_999, "km")


def test_near_side_is_the_kerbs(words: CatalogueWords) -> None:
    """14: near side is left where one drives on the left, and nothing where the country is not known."""
    for locale, places in (
        (Locale("dmy", "left"), ("left",)),
        (Locale("mdy", "right"), ("right",)),
        (Locale(), ("left", "right")),
    ):
        assert read(words, "N/S fork seal", locale=locale).records[0].positions == places
