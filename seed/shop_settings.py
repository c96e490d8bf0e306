"""What the demo's shops say of themselves in their settings: where they are, what their machines are used for."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select

from seed.world_params import SHOPS
from service.db import Database
from service.models import Shop
from service.people.access_log import COMMAND_LINE, Actor
from service.people.desk import change_shop

USES = {"sallow-lane-arches": "courier", "upper-tarn-school": "school", "quayside-rental": "rental"}  # most of theirs


def say_where(database: Database, now: datetime) -> None:
    """Set region and use of every shop of the demo on record."""
    with database.write() as session:
        ids = dict(session.execute(select(Shop.name, Shop.id)).all())
        for shop in SHOPS:
            if shop.name in ids:
                said: dict[str, str | None] = {"region": shop.region, "machine_use": USES.get(shop.slug, "private")}
                change_shop(session, Actor(None, COMMAND_LINE), ids[shop.name], said, now=now)
