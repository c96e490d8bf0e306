"""Random histories of a pool: shops come, work, correct, take back, withdraw and return; what is published of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analytics.rank_audit import Term
from analytics.sharing_rule import PUBLISH, CellContent, Share, below_rule, decide

Contents = dict[str, CellContent]


@dataclass
class Ledger:
    """Numbers each distinct share of a shop in a cell: the unknowns of the audit."""

    versions: dict[tuple[str, str], list[Share]] = field(default_factory=dict)

    def term(self, shop: str, cell: str, share: Share) -> Term:
        seen = self.versions.setdefault((shop, cell), [])
        if share not in seen:
            seen.append(share)
        return Term(shop, cell, seen.index(share))

    def total(self, cell: str, content: CellContent) -> frozenset[Term]:
        return frozenset(self.term(shop, cell, share) for shop, share in content.shares.items())


def random_history(rng: np.random.Generator, *, dates: int = 6) -> list[Contents]:
    """Contents of every cell at each date."""
    shops = [f"shop {k}" for k in range(int(rng.integers(5, 10)))]
    cells = [f"cell {k}" for k in range(int(rng.integers(4, 12)))]
    reach = {cell: rng.random(len(shops)) < rng.uniform(0.3, 1.0) for cell in cells}
    held: dict[tuple[str, str], list[Share]] = {}
    sharing = dict.fromkeys(shops, True)
    history = []
    for _ in range(dates):
        for shop in shops:
            sharing[shop] = rng.random() > (0.1 if sharing[shop] else 0.5)
        contents = {}
        for cell in cells:
            shares = {}
            for shop, there in zip(shops, reach[cell], strict=True):
                own = held.setdefault((shop, cell), [])
                if not own or rng.random() < 0.6:
                    own.append(_share(rng))
                elif rng.random() < 0.3:  # a correction is taken back: the share is what it once was
                    own.append(own[int(rng.integers(len(own)))])
                if there and sharing[shop]:
                    shares[shop] = own[-1]
            if shares:
                contents[cell] = CellContent(shares, sum(share.machines for share in shares.values()))
        history.append(contents)
    return history


def _share(rng: np.random.Generator) -> Share:
    return Share(float(rng.poisson(3)), int(rng.integers(1, 9)), float(rng.integers(1, 400) * 500))


def published(history: list[Contents], ledger: Ledger) -> tuple[list[frozenset[Term]], dict[str, frozenset[Term]]]:
    """Figures that the rule lets out, and the totals below the rule."""
    figures, hidden = [], {}
    earlier: dict[str, list[dict[str, Share]]] = {}
    for date, contents in enumerate(history):
        for cell, content in contents.items():
            if decide(content, earlier.get(cell, [])) == PUBLISH:
                earlier.setdefault(cell, []).append(dict(content.shares))
                figures.append(ledger.total(cell, content))
            elif below_rule(content):
                hidden[f"{cell} at date {date}"] = ledger.total(cell, content)
    return figures, hidden
