"""The bill: hand sums and exact enumeration. Hours and part prices are the trade brief's (invented), rate EUR 60."""

from __future__ import annotations

from decimal import Decimal

import pytest

from analytics.pricing import for_talk, price_talk, repair_bill
from analytics.pricing_types import Consequence, InvalidBill, ShopTerms
from tests.analytics.pricing_cases import GROUPS, bill, part


def test_tyre_and_chain_cost_336():
    """The brief's Q9: certain items tyre and chain, EUR 336; (0.6 + 1.8 + 1.2 + 2.0) h x 60; no shared cover."""
    found = bill([part("tyre", certain=True), part("chain_sprockets", certain=True)])
    assert found.certain == Decimal("336.00")
    assert (found.total.low, found.total.high) == (Decimal("336.00"), Decimal("336.00"))
    assert found.currency == "EUR"


def test_one_cover_is_paid_once():
    """Stator, crank sensor and starter clutch: 2.0 + 1.5 + 3.5 h less twice 0.7 h; parts 5.3 h."""
    found = bill([part(c, certain=True) for c in ("stator", "crank_position_sensor", "starter_clutch")])
    assert found.certain == Decimal("60") * Decimal("10.9")
    assert found.access_saved == Decimal("84.00")


def test_what_lies_open_under_a_wider_cover_costs_no_access():
    """Cam cover off opens the tank side: 3.0 + 1.0 - 0.4 h of labour, 0.3 + 3.0 h of parts."""
    found = bill([part("valve_train", certain=True), part("fuel_pump", certain=True)])
    assert found.certain == Decimal(60) * Decimal("6.9")


def test_a_likely_job_behind_an_open_cover_pays_its_own_work_only():
    """Crank sensor on the bill; stator 50 %: adds (2.0 - 0.7 + 2.0) x 60 = 198 in half the cases, else nothing."""
    found = bill([part("crank_position_sensor", certain=True), part("stator", now=0.5)])
    assert found.likely.low == 0
    assert found.likely.high == Decimal("198.00")
    assert float(found.likely.expected) == pytest.approx(99, abs=4 * 99 / 20_000**0.5)
    assert [line.section for line in found.lines] == ["certain", "likely"]


def test_season_failures_pay_their_own_access_and_take_others_along():
    """Regulator 18 % in the season, taking the battery in half of them: 0.18 x 126 + 0.09 x 78 = 29.70."""
    parts = [part("regulator_rectifier", season=0.18), part("battery")]
    link = [Consequence(("regulator_rectifier", None), ("battery", None), 0.5)]
    season = bill(parts, consequences=link, draws=200_000).season
    # per draw: 126 with 0.09, 204 with 0.09; standard deviation 63.3, standard error 0.14
    assert float(season.expected) == pytest.approx(29.70, abs=0.6)
    assert (season.median, season.high) == (0, Decimal("126.00"))


def test_a_hidden_fault_that_is_not_likely_counts_with_the_season():
    season = bill([part("stator", now=0.1, season=0.2)], draws=200_000).season
    # 0.1 + 0.9 x 0.2 = 0.28 of EUR 240, standard error 0.24
    assert float(season.expected) == pytest.approx(0.28 * 240, abs=1)


def test_seed_decides_and_nothing_else():
    parts = [part("stator", now=0.5), part("injector", now=0.3, season=0.1)]
    assert bill(parts) == bill(parts)
    assert bill(parts, seed=2) != bill(parts)


def test_price_talk_is_rounded_and_adds_up():
    found = bill([part("tyre", certain=True), part("chain_sprockets", certain=True), part("stator", now=0.4)])
    talk = price_talk(found, Decimal(2900))
    assert talk.certain == 340
    assert talk.ask_off % 10 == 0
    assert talk.offer == talk.asking - talk.ask_off
    assert talk.bad_case >= talk.offer
    assert [for_talk(Decimal(x)) for x in (92, 93, 336, 1030)] == [90, 95, 340, 1050]


def test_currency_without_cents_and_salt():
    yen = ShopTerms(Decimal(9000), "JPY", minor_units=0, labour_factor=1.2)
    found = repair_bill([part("tyre", certain=True, terms=yen)], GROUPS, yen, seed=1)
    assert (found.certain, found.currency) == (Decimal(9000 * 252) / 100, "JPY")  # 0.6 x 1.2 + 1.8 h
    assert found.certain.as_tuple().exponent == 0


def test_nothing_found_is_an_empty_bill():
    found = bill([])
    assert (found.certain, found.total.expected, found.lines) == (0, 0, ())


def test_what_to_have_before_opening():
    found = bill(
        [part("stator", certain=True, consumables=("cover gasket", "engine oil")), part("battery", season=0.3)]
    )
    assert found.to_have == ((("stator", None), ("cover gasket", "engine oil")),)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: ShopTerms(Decimal(60), "euro"), "currency must be the three capitals"),
        (lambda: ShopTerms(60.0, "EUR"), "rate_per_hour must be an exact decimal"),
        (lambda: part("stator", now=1.5), "stator: chance_bad_now must be a chance"),
        (lambda: bill([part("stator", certain=True, job_hours=0.5)]), "job_hours 0.5 must include"),
        (lambda: bill([part("stator", access_group="LID")]), "access group 'LID' is not among the groups"),
        (lambda: bill([part("stator"), part("stator")]), "a part is given twice"),
        (lambda: price_talk(bill([]), Decimal(0)), "asking price must be above 0"),
    ],
)
def test_bad_input_is_refused_by_name(make, words):
    with pytest.raises(InvalidBill, match=words):
        make()
