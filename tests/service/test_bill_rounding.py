"""Estimated amounts are said in round figures; what is certain keeps its price, and JSON its decimals.

Rounding half to even at the wanted place: IEEE 754, roundTiesToEven.
"""

from __future__ import annotations

import re
from decimal import Decimal

import pytest

from service.cli_visit_text import _show_bill, console
from service.inspections.bill_texts import about
from tests.service.callers import Caller
from tests.service.test_api_bills import bill


@pytest.mark.parametrize(
    ("amount", "said"),
    [("0.00", "0"), ("63.47", "63"), ("100", "100"), ("100.40", "100"), ("104.99", "100"), ("105.01", "110"),
     ("1234.56", "1230"), ("1235", "1240"), ("21600", "21600")],
)  # fmt: skip
def test_round_figures(amount: str, said: str) -> None:
    assert about(amount) == said
    assert about(Decimal(amount)) == said


def test_bill_in_words(asker: Caller, capsys: pytest.CaptureFixture[str]) -> None:
    """Of 2 h and a part of 2 h at 61.37 the stator costs 245.48; a tyre 0.6 h and 1.8 h, 147.29 (invented prices)."""
    made = bill(
        asker,
        found_bad=[{"component": "tyre"}],
        chances=[{"component": "stator", "chance_bad": 0.4}],
        hourly_rate="61.37",
    )
    assert made["certain"] == "147.29"
    (stator,) = [line for line in made["lines"] if line["component"] == "stator"]
    assert stator["alone"] == "245.48"
    printed = "\n".join(made["sellers_list"])
    assert "= 147.29 EUR" in printed and "Together 147.29 EUR" in printed
    assert "40 in 100, 250 EUR if so" in printed and "245.48" not in printed
    _show_bill(console(), made)
    shown = capsys.readouterr().out
    said = re.findall(r"([\d.]+) EUR", "\n".join(line for line in shown.splitlines() if "on average" in line))
    assert said[0] == "147.29"
    assert said[1:] == [about(made["likely"]["expected"]), *(about(made["season"][p]) for p in ("expected", "high"))]
    assert all("." not in amount for amount in said[1:])
