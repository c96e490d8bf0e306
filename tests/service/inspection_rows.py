"""Inspections written straight into the tables, for tests of what is learnt from many of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.models import CatalogueRelease, Finding, Inspection, StripDown
from tests.service.databases import NOW

# (component, position) and the chance before any evidence
PRIORS = {"battery": 0.2, "stator": 0.05, "regulator_rectifier": 0.05, "charging_connector": 0.05,
          "alternator_rotor": 0.01, "chain_sprockets": 0.3, "brake_pad": 0.2}  # fmt: skip


def add_inspection(
    session: Session,
    shop_id: int,
    findings: Sequence[tuple[str, str | None, str]],
    opened: Sequence[tuple[str, bool]] = (),
    now: datetime = NOW,
) -> Inspection:
    """One inspection with findings (check, component, outcome) and what parts turned out to be (component, bad)."""
    row = Inspection(
        shop_id=shop_id,
        machine_id=None,
        machine={"make": "Tindrake", "model": "Lanner 650"},
        as_of=date(2026, 6, 1),
        circumstances={},
        people=[],
        history=[],
        symptoms=[],
        facts=[],
        notes="",
        priors=[
            {"component": slug, "position": None, "known_bad": False, "age_known": False,
             "chance_bad_now": {"value": chance, "low": 0.0, "high": 1.0, "level": 0.9}}
            for slug, chance in PRIORS.items()
        ],
        estimate_version="catalogue prior",
        catalogue_release_id=session.scalar(select(func.max(CatalogueRelease.id))),
        catalogue_version="2026.2",
        limits_version="0" * 64,
        accuracies=[],
        started_at=now,
    )  # fmt: skip
    session.add(row)
    session.flush()
    for check, component, outcome in findings:
        session.add(
            Finding(
                shop_id=shop_id,
                inspection_id=row.id,
                check_key=check,
                component=component,
                outcome=outcome,
                readings=[],
                conditions={},
                prerequisites_unmet=[],
                judgement=[],
                note="",
                recorded_at=now,
                request_digest=b"0" * 32,
            )
        )
    for component, really_bad in opened:
        session.add(
            StripDown(
                shop_id=shop_id,
                inspection_id=row.id,
                component=component,
                really_bad=really_bad,
                found_on=date(2026, 6, 2),
                note="",
                recorded_at=now,
            )
        )
    session.flush()
    return row
