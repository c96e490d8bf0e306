"""The rank audit over everything that was ever published here, and every figure held against the rule once more."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.rank_audit import Term, rank_audit
from analytics.sharing_rule import COLLUDERS, LEAST_SHOPS, CellContent, GridCell, Share, below_rule
from service.models import PoolCell, PoolCellShare, PoolPublication
from service.pool.publishing import told_before
from service.pool.trail import Asker, note_crossing


def audit_publications(session: Session, hidden: dict[GridCell, CellContent] | None = None) -> dict[str, Any]:
    """What two shops together with all published figures could work out.

    `hidden` are the cells held back now, with their shares; what the cells held back at earlier dates had in them is
    not kept anywhere. Terms of a cell that was never published stand in no figure.
    """
    earlier, _ = told_before(session)
    numbers: dict[tuple[str, GridCell], list[Share]] = {}

    def terms(cell: GridCell, shares: dict[str, Share]) -> frozenset[Term]:
        found = []
        for shop, share in shares.items():
            known = numbers.setdefault((shop, cell), [])
            if share not in known:
                known.append(share)
            found.append(Term(shop, cell, known.index(share)))
        return frozenset(found)

    figures = [terms(cell, shares) for cell, told in earlier.items() for shares in told]
    targets = {str(cell): terms(cell, dict(content.shares)) for cell, content in (hidden or {}).items()}
    found = rank_audit(figures, targets)
    return {
        "publications": session.scalar(select(func.count(PoolPublication.id))) or 0,
        "figures": len(figures),
        "cells": len(earlier),
        "terms": found.terms,
        "shops": found.shops,
        "colluding_shops": COLLUDERS,
        "coalitions_tried": found.coalitions,
        "hidden_cells": found.hidden,
        "recovered_cells": found.recovered_cells,
        "recovered_groups": found.recovered_groups,
        "figures_against_the_rule": _against_rule(session),
        "recovered": [{"kind": r.kind, "what": r.what, "coalition": list(r.coalition)} for r in found.recovered[:50]],
    }


def _against_rule(session: Session) -> int:
    """Published rows that do not keep the rule, or do not add up to what stands behind them."""
    shares: dict[int, dict[str, Share]] = {}
    for row in session.scalars(select(PoolCellShare)):
        shares.setdefault(row.cell_id, {})[row.contributor] = Share(row.failures, row.machines, row.exposure_km)
    broken = 0
    for cell in session.scalars(select(PoolCell).where(PoolCell.standing == "published")):
        content = CellContent(shares.get(cell.id, {}), cell.machines)
        adds_up = abs(content.failures - cell.failures) <= 0.06 and len(content.shares) == cell.shops
        broken += bool(below_rule(content)) or not adds_up or cell.shops < LEAST_SHOPS
    return broken


def audited(session: Session, asker: Asker, hidden: dict[GridCell, CellContent], now: Any) -> dict[str, Any]:
    """The audit, with a line in the access log: it reads what every shop put in."""
    found = audit_publications(session, hidden)
    note_crossing(session, asker, "pool_audit", f"{found['figures']} figures", now=now)
    return found
