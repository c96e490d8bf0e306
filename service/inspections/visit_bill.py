"""The bill of an inspection: its findings and what they make likely, priced."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy.orm import Session

from analytics.life_model_types import Horizon
from analytics.spells import DAYS_PER_YEAR
from service.inspections.bill import PricedBill, make_bill
from service.inspections.bill_parts import beliefs_after
from service.inspections.prices import price_list
from service.inspections.ranking import Ranking, rank_described, rank_recorded
from service.inspections.standing import Standing
from service.models import Machine
from service.settings import Settings

SEASON_KM, SEASON_MONTHS = 5_000.0, 12.0  # whichever comes first
DESCRIBED = ("make", "model", "family", "model_year", "built", "first_registered", "odometer")


def bill_of_inspection(
    session: Session, standing: Standing, asked: Mapping[str, Any], *, settings: Settings
) -> PricedBill:
    """Price an inspection as it stands (terms checked by `BillQuery`).

    Chances now are those of the inspection; what the coming season may bring is asked of the estimate in force.
    """
    ranking = _ranked(session, standing, settings)
    beliefs = beliefs_after(standing.weigh(), ranking, standing.places)
    prices = price_list(session, standing.row.shop_id, settings, asked)
    return make_bill(beliefs, standing.places.catalogue, prices, asked["asking_price"], ranking)


def _ranked(session: Session, standing: Standing, settings: Settings) -> Ranking:
    row = standing.row
    if row.machine_id is not None:
        public_id = session.get_one(Machine, row.machine_id).public_id
        horizon = Horizon(SEASON_KM, SEASON_MONTHS * DAYS_PER_YEAR / 12)
        return rank_recorded(
            session,
            row.shop_id,
            public_id,
            as_of=row.as_of,
            horizon=horizon,
            level=0.9,
            pool_open=settings.pool_open,
        )[0]
    question = {
        "machine": {name: row.machine.get(name) for name in DESCRIBED},
        "as_of": row.as_of,
        "horizon": {"distance": {"value": SEASON_KM, "unit": "km"}, "months": SEASON_MONTHS},
        "usage": None,
        "history": row.history,
        "level": 0.9,
    }
    return rank_described(session, row.shop_id, question, today=row.as_of, pool_open=settings.pool_open)[0]
