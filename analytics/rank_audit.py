"""Can what was published be solved for what was not?

Question answered: some shops of a pool put their own numbers together with everything that was ever published. By
linear algebra alone, what can they work out that the rule of publication hides?

Every published figure is a sum of unknown terms, one for what each shop had in each cell at the time; a shop whose
share did not change keeps its term, which is more than an attacker knows for sure. The figures an attacker has are
the rows of a 0/1 matrix; the columns of the colluders' own terms are struck out. Then

- a hidden total is recovered where its row lies in the row space: rank([A; row]) = rank(A);
- something about a set of shops is recovered where a combination of figures holds terms of that set alone:
  rank(A) > rank(A without their columns).

Both are exact statements about linear combinations; sizes (a count is never negative) are not used.
Source: the audit of linear disclosure in statistical tables, Willenborg and de Waal, "Elements of Statistical
Disclosure Control", 2001 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

from analytics.sharing_rule import COLLUDERS, LEAST_SHOPS


class Term(NamedTuple):
    """What one shop had in one cell while it did not change; `version` tells one such time from the next."""

    shop: str
    cell: Hashable
    version: int


MOST_TRIED_ONE_BY_ONE = 12  # shops in a block; above, independence is shown first, which settles most blocks

Figure = frozenset[Term]
Pattern = tuple[tuple[tuple[int, int], ...], ...]


@dataclass(frozen=True)
class Recovered:
    """One thing that comes out: a hidden cell's total of others, or something of a few shops alone."""

    kind: str  # "hidden cell" or "few shops"
    what: str
    coalition: tuple[str, ...]


@dataclass(frozen=True)
class RankAudit:
    """What was tried, and everything that was recovered, once each."""

    figures: int
    terms: int
    shops: int
    blocks: int
    coalitions: int
    hidden: int
    recovered: tuple[Recovered, ...]

    @property
    def recovered_cells(self) -> int:
        return sum(one.kind == "hidden cell" for one in self.recovered)

    @property
    def recovered_groups(self) -> int:
        return sum(one.kind == "few shops" for one in self.recovered)


def rank_audit(
    figures: Iterable[Collection[Term]],
    hidden: Mapping[str, Collection[Term]],
    *,
    colluders: int = COLLUDERS,
    least_shops: int = LEAST_SHOPS,
) -> RankAudit:
    """Try every coalition of shops on everything that was published.

    Parameters
    ----------
    figures : iterable of collections of Term
        Each published number by the terms it sums.
    hidden : mapping of name to collection of Term
        Totals that must stay hidden: cells below the rule.
    colluders : int
        Most shops that put their numbers together.
    least_shops : int
        Shops a figure must rest on. What `least_shops - colluders` or more others have together is what such a
        figure says and no leak; what fewer others have must not come out.
    """
    rows = list({frozenset(figure) for figure in figures})
    blocks = _blocks(rows)
    targets = {name: frozenset(terms) for name, terms in hidden.items()}
    where = {term: number for number, block in enumerate(blocks) for row in block for term in row}
    found: list[Recovered] = []
    coalitions = 0
    for block in blocks:
        tried, leaks = _few_shops(block, colluders, least_shops - colluders - 1)
        coalitions += tried
        found += leaks
    for name, target in targets.items():
        leak = _hidden_total(name, target, blocks, where, frozenset(targets.values()), colluders, least_shops)
        found += [leak] if leak else []
    terms = {term for row in rows for term in row}
    shops = {term.shop for term in terms}
    return RankAudit(len(rows), len(terms), len(shops), len(blocks), coalitions, len(targets), tuple(found))


def _blocks(rows: Sequence[Figure]) -> list[list[Figure]]:
    """Figures that share terms, directly or through others: only these can be combined to any end."""
    parent = list(range(len(rows)))

    def root(at: int) -> int:
        while parent[at] != at:
            parent[at] = parent[parent[at]]
            at = parent[at]
        return at

    first: dict[Term, int] = {}
    for number, row in enumerate(rows):
        for term in row:
            parent[root(number)] = root(first.setdefault(term, number))
    found: dict[int, list[Figure]] = {}
    for number, row in enumerate(rows):
        found.setdefault(root(number), []).append(row)
    return list(found.values())


def _few_shops(block: Sequence[Figure], colluders: int, few: int) -> tuple[int, list[Recovered]]:
    shops = sorted({term.shop for row in block for term in row})
    numbers: dict[Term, int] = {}
    for term in sorted({term for row in block for term in row}, key=str):
        numbers[term] = len(numbers)
    pattern = sorted(tuple(sorted((shops.index(term.shop), numbers[term]) for term in row)) for row in block)
    tried, leaks = _leaks_of(tuple(pattern), len(shops), colluders, few)
    cells = ", ".join(sorted({str(term.cell) for row in block for term in row})[:3])
    return tried, [
        Recovered("few shops", f"{' and '.join(shops[s] for s in some)} in {cells}", tuple(shops[s] for s in coalition))
        for coalition, some in leaks
    ]


@lru_cache(maxsize=4096)
def _leaks_of(
    pattern: Pattern, shops: int, colluders: int, few: int
) -> tuple[int, tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]]:
    """Coalitions tried; for each smallest set of few shops the first that sees it. Many blocks look alike."""
    columns = {term: at for at, term in enumerate(sorted({term for row in pattern for term in row}))}
    owner = np.array([shop for shop, _ in columns])
    matrix = np.zeros((len(pattern), len(columns)))
    for number, row in enumerate(pattern):
        matrix[number, [columns[term] for term in row]] = 1.0
    found: dict[tuple[int, ...], tuple[int, ...]] = {}
    coalitions = list(combinations(range(shops), min(colluders, shops)))
    if shops > MOST_TRIED_ONE_BY_ONE and _independent_without(pattern, colluders + few):
        return len(coalitions), ()
    for coalition in coalitions:
        others = [shop for shop in range(shops) if shop not in coalition]
        left = matrix[:, ~np.isin(owner, coalition)]
        owners = owner[~np.isin(owner, coalition)]
        rank = _rank(left)
        sets = (some for size in range(1, few + 1) for some in combinations(others, size))
        for some in sets:
            known = any(set(smaller) <= set(some) for smaller in found)
            if not known and rank > _rank(left[:, ~np.isin(owners, some)]):
                found[some] = coalition
    return len(coalitions), tuple((coalition, some) for some, coalition in found.items())


def _independent_without(pattern: Pattern, struck: int) -> bool:
    """Whether, in some order, each figure has terms of more than `struck` shops that no figure before it has.

    Then the figures stay independent without the terms of any `struck` shops, and nothing leaks.
    """
    left, told = sorted(pattern, key=len), set[tuple[int, int]]()
    while left:
        fresh = [row for row in left if len({shop for shop, term in row if (shop, term) not in told}) > struck]
        if not fresh:
            return False
        left.remove(fresh[0])
        told.update(fresh[0])
    return True


def _hidden_total(
    name: str,
    target: Figure,
    blocks: Sequence[Sequence[Figure]],
    where: Mapping[Term, int],
    all_hidden: Collection[Figure],
    colluders: int,
    least_shops: int,
) -> Recovered | None:
    """The first coalition for which the total of the others in a hidden cell lies in the row space."""
    rows = [row for number in sorted({where[term] for term in target if term in where}) for row in blocks[number]]
    shops = sorted({term.shop for row in rows for term in row} | {term.shop for term in target})
    for coalition in combinations(shops, min(colluders, len(shops))):
        wanted = [term for term in target if term.shop not in coalition]
        if not wanted or any(term not in where for term in wanted):
            continue  # nothing left to find out, or a term in no figure at all
        said = {frozenset(t for t in row if t.shop not in coalition) for row in rows if row not in all_hidden}
        if len({term.shop for term in wanted}) >= least_shops - colluders and frozenset(wanted) in said:
            continue  # the others are as they were when a figure within the rule said what they have together
        columns = {term: at for at, term in enumerate({t for row in rows for t in row if t.shop not in coalition})}
        matrix = np.zeros((len(rows) + 1, len(columns)))
        for number, row in enumerate(rows):
            matrix[number, [columns[term] for term in row if term in columns]] = 1.0
        matrix[-1, [columns[term] for term in wanted]] = 1.0
        if _rank(matrix) == _rank(matrix[:-1]):
            return Recovered("hidden cell", name, coalition)
    return None


def _rank(matrix: np.ndarray) -> int:
    return int(np.linalg.matrix_rank(matrix)) if matrix.size else 0
