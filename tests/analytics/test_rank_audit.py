"""Nothing below the rule comes out of what is published, whatever two shops know; and the audit sees leaks.

Outside check: the negative controls are the classical ways to solve tables for hidden cells (margins, differences of
releases, all but one), worked by hand; the audit must name exactly the cells that subtraction gives.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.rank_audit import RankAudit, Term, rank_audit
from analytics.sharing_rule import below_rule
from tests.analytics.pool_histories import Contents, Ledger, published, random_history
from tests.torture.counts import times

# Many more of the same in full (`make torture`).
HISTORIES = times(400, 25)


@pytest.mark.parametrize("block", range(5))
def test_no_cell_below_the_rule_is_recovered_from_random_histories(block: int) -> None:
    rng = np.random.default_rng(8100 + block)
    figures = hidden = coalitions = 0
    for _ in range(HISTORIES // 5):
        found = rank_audit(*published(random_history(rng), Ledger()))
        assert found.recovered == ()
        figures, hidden, coalitions = figures + found.figures, hidden + found.hidden, coalitions + found.coalitions
    assert min(figures, hidden, coalitions) > HISTORIES  # something was there to be found


def leaky(history: list[Contents], kind: str) -> RankAudit:
    """The same histories published in a way that leaks."""
    ledger = Ledger()
    figures, hidden = published(history, ledger)
    for contents in history:
        totals = {cell: ledger.total(cell, content) for cell, content in contents.items()}
        shown = [cell for cell, content in contents.items() if not below_rule(content)]
        if kind == "all but one cell":  # over all cells, and over all of them but each
            figures += [
                frozenset(t for name in totals if name != left for t in totals[name]) for left in (None, *totals)
            ]
        if kind == "at every date":  # whoever changed
            figures += [totals[cell] for cell in shown]
        if kind == "all but one shop":
            figures += [frozenset(t for t in totals[cell] if t.shop != "shop 0") for cell in shown]
    return rank_audit(figures, hidden)


@pytest.mark.parametrize("kind", ["at every date", "all but one shop"])
def test_leaks_of_few_shops_are_detected(kind: str) -> None:
    rng = np.random.default_rng(8200)
    assert sum(leaky(random_history(rng), kind).recovered_groups for _ in range(8)) > 20


def test_every_hidden_cell_comes_out_of_totals_and_all_but_one() -> None:
    rng = np.random.default_rng(8300)
    audits = [leaky(random_history(rng, dates=1), "all but one cell") for _ in range(6)]
    assert sum(audit.hidden for audit in audits) > 20
    assert [audit.recovered_cells for audit in audits] == [audit.hidden for audit in audits]


def terms(cell: str, shops: str, version: int = 0) -> frozenset[Term]:
    return frozenset(Term(shop, cell, version) for shop in shops)


def test_one_hidden_cell_under_a_margin_comes_out_by_subtraction() -> None:
    shown, hidden = terms("a", "PQRSTU"), terms("b", "PQ")
    audit = rank_audit([shown, shown | hidden], {"b": hidden})
    assert [(one.kind, one.what) for one in audit.recovered if one.kind == "hidden cell"] == [("hidden cell", "b")]
    # Two hidden cells under one margin protect each other against strangers, but not against shops that are in one.
    other = terms("c", "RS")
    audit = rank_audit([shown, shown | hidden | other], {"b": hidden, "c": other}, colluders=0)
    assert audit.recovered_cells == 0
    audit = rank_audit([shown, shown | hidden | other], {"b": hidden, "c": other})
    assert {(one.what, one.coalition) for one in audit.recovered if one.kind == "hidden cell"} == {
        ("b", ("R", "S")),
        ("c", ("P", "Q")),
    }


def test_a_difference_of_releases_shows_the_one_shop_that_changed() -> None:
    before = terms("a", "PQRSTU")
    after = terms("a", "PQRST") | terms("a", "U", 1)
    audit = rank_audit([before, after], {})
    assert any(one.what.startswith("U in") for one in audit.recovered)
    fresh = terms("a", "PQRST", 1) | terms("a", "U")
    assert rank_audit([before, fresh], {}).recovered == ()


def test_four_changed_shops_are_too_few_against_two_that_collude() -> None:
    before, after = terms("a", "PQRSTU"), terms("a", "PQRS", 1) | terms("a", "TU")
    assert rank_audit([before, after], {}).recovered_groups == 6  # any two of the four, the other two colluding
    assert rank_audit([before, after], {}, colluders=1, least_shops=4).recovered == ()


def test_one_figure_of_five_shops_holds_and_of_four_does_not() -> None:
    assert rank_audit([terms("a", "PQRST")], {}).recovered == ()
    assert rank_audit([terms("a", "PQRS")], {}).recovered_groups == 6


def test_many_shops_are_settled_by_independence_and_leaks_among_them_still_found() -> None:
    many = "ABCDEFGHIJKLMN"
    assert rank_audit([terms("a", many), terms("a", many, 1)], {}).recovered == ()
    one_more = terms("a", many[1:]) | terms("a", many[0], 1)
    assert rank_audit([terms("a", many), one_more], {}).recovered_groups > 0
