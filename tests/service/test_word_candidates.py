"""Words with several meanings: weighed by the rest of the card, learnt from the shop, asked where that is not enough.

The factors are invented; what is checked is that one hint never decides and that agreeing hints do.
"""

from __future__ import annotations

import pytest
from sqlalchemy import select

from service.db import Database
from service.imports.candidates import DECIDES, Context, candidates, decide
from service.imports.words import CatalogueWords, ShopMeaning, catalogue_words
from service.models import JobLine
from tests.service.job_files import csv_file, doubts, lines, row, take_in


@pytest.fixture(scope="module")
def words(shared_database: Database) -> CatalogueWords:
    with shared_database.read() as session:
        return catalogue_words(session)


@pytest.mark.parametrize(
    ("text", "meanings"),
    [
        ("RR", {"regulator_rectifier", "rear right", "rear rack", "remove and refit"}),
        ("reg", {"regulator_rectifier", "fuel_pressure_regulator"}),
        ("pump", {"fuel_pump", "water_pump", "oil pump"}),
        ("CPS", {"crank_position_sensor", "cam_position_sensor", "clutch position switch"}),
    ],
)
def test_every_meaning_is_a_candidate(words: CatalogueWords, text: str, meanings: set[str]) -> None:
    found = candidates(words, text)
    assert {c.meaning for c in found} == meanings
    assert sum(c.weight for c in found) == pytest.approx(1.0, abs=1e-3)
    assert decide(words, text, Context()) is None
    assert words.component(text).kind == "ambiguous_word"


@pytest.mark.parametrize(
    ("text", "context", "slug"),
    [
        ("reg", Context(("stator",)), None),  # one hint never decides
        ("reg", Context(("stator", "battery")), "regulator_rectifier"),
        ("reg", Context(("fuel_pump", "fuel_filter")), "fuel_pressure_regulator"),
        ("reg", Context(("stator", "fuel_pump")), None),  # hints that disagree
        ("coil", Context(position="2"), "ignition_coil"),  # neither a stator nor a sensor has a second one
        ("pump", Context(("water_pump",)), None),
        ("reg", Context(price=95.0, usual_prices={"regulator_rectifier": 100.0, "fuel_pressure_regulator": 30.0}),
         "regulator_rectifier"),
        ("reg", Context(price=60.0, usual_prices={"regulator_rectifier": 90.0, "fuel_pressure_regulator": 40.0}), None),
        ("belt", Context(on_record=frozenset({"cvt_belt"})), "cvt_belt"),
        ("RR", Context(("stator",)), None),
        ("no such word", Context(("stator",)), None),
    ],
)  # fmt: skip
def test_context_decides_only_where_it_leaves_no_other(
    words: CatalogueWords, text: str, context: Context, slug: str | None
) -> None:
    match = decide(words, text, context)
    assert (match.component.slug if match and match.component else None) == slug
    if match is not None:
        assert match.mapped_by == "context" and match.confidence is not None and match.confidence >= DECIDES


@pytest.mark.parametrize(
    ("text", "slug"),
    [
        ("regulater rectifier", "regulator_rectifier"),
        ("fule pressure regulator", "fuel_pressure_regulator"),
        ("termostat", "thermostat"),
        ("statr", None),  # too short to be sure: stator, stater, starter
        ("cam sensr", "cam_position_sensor"),
        ("can sensor x", None),
        ("crnk", None),
        ("xyz component", None),
    ],
)
def test_misspelt(words: CatalogueWords, text: str, slug: str | None) -> None:
    match = words.component(text)
    assert (match.component.slug if match.component else None) == slug
    if slug:
        assert (match.mapped_by, match.kind) == ("spelling", None)
        assert match.confidence is not None and 0.9 <= match.confidence < 1


def test_the_shops_own_word_beats_the_catalogues(words: CatalogueWords) -> None:
    own = CatalogueWords(
        words.components, words.own, words.synonyms, {"rr": (ShopMeaning("regulator_rectifier", None, 3),)}
    )
    match = own.component("R/R")
    assert (match.component and match.component.slug, match.mapped_by) == ("regulator_rectifier", "shop")
    once = CatalogueWords(
        words.components, words.own, words.synonyms, {"rr": (ShopMeaning("regulator_rectifier", None, 1),)}
    )
    assert 0.9 < (once.component("RR").confidence or 0) < (match.confidence or 0) < 1


def test_an_import_reads_the_whole_card(database: Database) -> None:
    card = [row(component=part) for part in ("stator", "batt", "reg")]
    alone = row(card="1002", machine="M-2", date="2019-04-01", component="reg")
    take_in(database, csv_file([*card, alone]))
    with database.read() as session:
        found = lines(session)
        assert [(line.mapped_by, line.in_doubt) for line in found] == [
            ("catalogue", False), ("synonym", False), ("context", False), (None, True),
        ]  # fmt: skip
        confidences = session.scalars(select(JobLine.mapping_confidence).order_by(JobLine.id)).all()
        assert confidences[:2] == [1.0, 1.0] and 0.9 <= (confidences[2] or 0) < 1
        assert found[2].as_written[11] == "reg"
    assert doubts(database) == [(5, "ambiguous_word", "component")]
