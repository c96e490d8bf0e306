"""Two independent statements of the job-line contract must agree: the fast row checks and the marshmallow schema."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from service.imports.currencies import CURRENCIES, IN_USE
from service.imports.rows import ParsedRow, RowChecker
from service.schemas.job_line import JobLineSchema
from service.vocabulary import ACTIONS, JOB_LINE_COLUMNS, QUALITIES, REASONS, SOURCES, UNITS
from tests.service.job_files import row

SCHEMA = JobLineSchema()


@dataclass(frozen=True)
class Verdict:
    good: bool
    columns: frozenset[str] = frozenset()


def fast(cells: dict[str, str]) -> tuple[Verdict, ParsedRow | None]:
    result = RowChecker().check(2, [cells.get(name, "") for name in JOB_LINE_COLUMNS])
    if isinstance(result, ParsedRow):
        return Verdict(True), result
    return Verdict(False, frozenset(problem.column for problem in result)), None


def slow(cells: dict[str, str]) -> Verdict:
    try:
        SCHEMA.load(cells)
    except ValidationError as error:
        return Verdict(False, frozenset(error.normalized_messages()))
    return Verdict(True)


NUMBERS = st.one_of(
    st.sampled_from(
        ["", "0", "23000", "23000.5", "-1", "+1", "1e5", "nan", "inf", "23,000", "23k", "1.234", "0.125", " 5 "]
    ),
    st.integers(-(10**11), 10**11).map(str),
    st.tuples(st.integers(0, 10**9), st.integers(1, 5)).map(lambda drawn: f"{drawn[0] / 1000:.{drawn[1]}f}"),
    st.floats().map(str),
)
DATES = st.one_of(
    st.sampled_from(
        ["", "2019", "2019-02", "2019-02-29", "2020-02-29", "2019-2-3", "12/3/19", "0000-01-01", "2101", "20190312"]
    ),
    st.dates().map(str),
    st.dates().map(lambda day: f"{day:%Y-%m}"),
)
TEXTS = st.one_of(st.sampled_from(["", " ", "x" * 81, "x" * 121, "a\nb", "\x00", "=1+1", " y "]), st.text(max_size=50))


def words(known: tuple[str, ...]) -> st.SearchStrategy[str]:
    return st.one_of(st.sampled_from(("", *known, known[0].upper(), "other")), st.text(max_size=8))


COLUMNS: dict[str, st.SearchStrategy[str]] = {
    **dict.fromkeys(("card", "machine", "make", "model", "family", "component", "position", "notes"), TEXTS),
    **dict.fromkeys(("date", "built", "first_registered"), DATES),
    **dict.fromkeys(("odometer", "labour_hours", "parts_cost", "labour_cost"), NUMBERS),
    "model_year": st.sampled_from(["", "2012", "12", "1800", "2012.0"]),
    "unit": words(UNITS),
    "action": words(ACTIONS),
    "reason": words(REASONS),
    "source": words(SOURCES),
    "quality": words(QUALITIES),
    "currency": st.sampled_from(["", "EUR", "eur", "ZZZ", "HRK"]),
}
# Few cells at a time: where many are bad, one that is wrongly taken does not show.
CELLS = st.lists(st.sampled_from(sorted(COLUMNS)), max_size=3, unique=True).flatmap(
    lambda names: st.fixed_dictionaries({name: COLUMNS[name] for name in names})
)


@given(CELLS)
@settings(max_examples=600, deadline=None)
@example({"notes": "\ud800"})
@example({"machine": "\x85"})
def test_both_take_and_refuse_the_same_rows(changes: dict[str, str]) -> None:
    cells = row() | changes
    verdict, _ = fast(cells)
    other = slow(cells)
    assert verdict.good == other.good
    # The schema stops before the rules between columns if a cell alone is at fault.
    assert other.columns <= verdict.columns or other.good


@given(CELLS)
@settings(max_examples=300, deadline=None)
def test_both_understand_a_good_row_alike(changes: dict[str, str]) -> None:
    cells = row() | changes
    verdict, parsed = fast(cells)
    if not verdict.good:
        return
    assert parsed is not None
    loaded = SCHEMA.load(cells)
    names = set(loaded) - {"date", "built", "first_registered", "notes"}
    assert {name: getattr(parsed, name) for name in names} == {name: loaded[name] for name in names}
    assert (parsed.when is None) == (loaded["date"] == "")


def test_unknown_key_is_refused() -> None:
    with pytest.raises(ValidationError, match="Unknown field"):
        SCHEMA.load(row() | {"colour": "blue"})


def test_currency_codes() -> None:
    # ISO 4217 list one of 2026-01-01 has 178 codes; from memory: the numbers of letters and some members.
    assert len(IN_USE) == 178
    assert {"EUR", "CHF", "USD", "JPY"} <= IN_USE
    assert {"HRK", "DEM", "BGN"} <= CURRENCIES - IN_USE
    assert all(len(code) == 3 and code.isascii() and code.isupper() for code in CURRENCIES)
