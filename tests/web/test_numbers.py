"""Numbers as people type them, by the locale's own rules (Unicode CLDR through Babel), and as pages write them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from flask import g

from service import cli_text
from service.app import WeakspotApp
from service.web.formats import number, one_in, per_cent, rough_day, step_of
from service.web.forms import number_in
from service.web.texts import reader_of


@pytest.mark.parametrize(
    ("locale", "text", "value"),
    [
        ("en_GB", "38,000", "38000"),
        ("en_GB", "12.5", "12.5"),
        ("en_GB", "12,5", "12.5"),  # cannot be thousands
        ("en_GB", "-0.4", "-0.4"),
        ("de_DE", "38.000", "38000"),
        ("de_DE", "12,5", "12.5"),
        ("de_DE", "12.5", "12.5"),
        ("de_CH", "38’000", "38000"),
        ("fr_FR", "12,25", "12.25"),
    ],
)
def test_number_typed(shared_app: WeakspotApp, locale: str, text: str, value: str) -> None:
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of(locale)
        assert number_in(text) == Decimal(value)


@pytest.mark.parametrize("text", ["nan", "inf", "-Infinity", "a dozen", "1,2,3", "--1", "1.2.3", "0x10"])
def test_no_number(shared_app: WeakspotApp, text: str) -> None:
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of("en_GB")
        with pytest.raises(ValueError, match="Write a number"):
            number_in(text)


def test_figures_are_written_by_the_locale(shared_app: WeakspotApp) -> None:
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of("en_GB")
        assert (number(38000), number(12.25, 1), number(None)) == ("38,000", "12.2", "–")
        g.reader = reader_of("de_DE")
        assert (number(38000), number(12.5, 1)) == ("38.000", "12,5")


def test_chances_are_never_rounded_to_certainty(shared_app: WeakspotApp) -> None:
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of("en_GB")
        assert [per_cent(c) for c in (0.0, 0.004, 0.52, 0.999)] == [
            "below 1\u00a0%",
            "below 1\u00a0%",
            "52\u00a0%",
            "above 99\u00a0%",
        ]
        said = [
            "1 in thousands",
            "1 in 40",
            "1 in 5",
            "1 in 3",
            "4 in 10",
            "4 in 10",
            "1 in 2",
            "6 in 10",
            "nearly all",
        ]
        chances = (0.0001, 0.025, 0.2, 0.34, 0.397, 0.404, 0.52, 0.6, 0.97)
        assert [one_in(c) for c in chances] == said
        assert [cli_text.one_in(c) for c in chances] == [*said[:-1], ""]  # one table has no room for words
        assert [step_of(c) for c in (0, 0.02, 0.08, 0.2, 0.4, 1)] == [1, 2, 3, 4, 5, 5]


@pytest.mark.parametrize(
    ("written", "english", "german"),
    [
        ("2012-11", "Nov 2012", "Nov. 2012"),  # CLDR, skeleton yMMM
        ("2012-11-03", "3 Nov 2012", "03.11.2012"),
        ("2012", "2012", "2012"),
        (2012, "2012", "2012"),
        ("2012-13", "2012-13", "2012-13"),
        ("spring 2012", "spring 2012", "spring 2012"),
        (None, "–", "–"),
    ],
)
def test_so_much_of_a_day_as_is_known(shared_app: WeakspotApp, written: str | int, english: str, german: str) -> None:
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of("en_GB")
        assert rough_day(written) == english
        g.reader = reader_of("de_DE")
        assert rough_day(written) == german
