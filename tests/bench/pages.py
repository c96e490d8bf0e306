"""Every page that a GET opens, warm, with one worker: a filled world, or the database WEAKSPOT_DATABASE_URL names.

A page with a component or a machine in its address is opened for several of them, each for the first time once: that
first time is told apart, as nobody warms a page up for somebody who opens it.
"""

from __future__ import annotations

import os
import tempfile
import time
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from flask.testing import FlaskClient
from sqlalchemy import func, select

from service.app import WeakspotApp, build_app
from service.db import Database
from service.models import ComponentType, Inspection, Job, Machine, MachineMake, MachineModel, Shop
from service.people.accounts import add_member, set_password
from service.settings import Settings
from tests.web.people import PASSWORD, Visitor

WANTED_MS = 100.0
ROUNDS, ROUNDS_OF_SLOW_ONES = 4, 1
SEVERAL = 5
LOOK = "/look-first?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30&kit=home&permission=may_strip"
LEFT_OUT = ("web.openid.", "web.sign_in.sign_out")  # they lead elsewhere


def opened() -> Iterator[WeakspotApp]:
    """An application over the named database, or over the small world of the tests."""
    if "WEAKSPOT_DATABASE_URL" in os.environ:
        settings = Settings.from_environment()
        yield build_app(settings, Database(settings.database_url))
        return
    from tests.service.story_world import story_caller

    with tempfile.TemporaryDirectory() as folder:
        app = story_caller(Path(folder)).http.application
        assert isinstance(app, WeakspotApp)
        yield app


def signed_in(app: WeakspotApp) -> tuple[FlaskClient, int]:
    """Somebody new who owns the shop with most machines."""
    with app.database.write() as session:
        most = select(Machine.shop_id).group_by(Machine.shop_id).order_by(func.count().desc()).limit(1)
        shop = session.get_one(Shop, session.scalars(most).one())
        login = f"bench-{uuid.uuid4().hex[:8]}@weakspot.example"
        set_password(session, add_member(session, shop.id, login, "owner", now=app.now()), PASSWORD)
        shop_id = shop.id
    visitor = Visitor(app.test_client(), login)
    assert visitor.sign_in(login).status_code == 303
    return visitor.http, shop_id


def addresses(app: WeakspotApp, shop_id: int) -> dict[str, list[str]]:
    """Addresses of every page by endpoint; empty where the world has nothing to open it for."""
    with app.database.read() as session:

        def ids(model: Any, *wanted: Any) -> list[str]:
            found = session.scalars(select(model.public_id).where(model.shop_id == shop_id, *wanted).limit(200))
            return [str(one) for one in list(found)[:: max(1, 200 // SEVERAL)][:SEVERAL]]

        slugs = session.scalars(select(ComponentType.slug).where(ComponentType.withdrawn_at.is_(None))).all()
        model = session.execute(
            select(MachineMake.name, MachineModel.name)
            .join(MachineModel, MachineModel.make_id == MachineMake.id)
            .join(Machine, Machine.model_id == MachineModel.id)
            .where(Machine.shop_id == shop_id)
            .group_by(MachineMake.name, MachineModel.name)
            .order_by(func.count().desc())
        ).first()
        known = {
            "machine_id": ids(Machine),
            "component": list(slugs)[:: max(1, len(slugs) // SEVERAL)][:SEVERAL],
            "inspection_id": ids(Inspection),
            "backtest_id": ids(Job, Job.kind == "backtest", Job.state == "done"),
            "check_id": ["T03"],
            "token": ["nothing"],
        }
    query = {"make": model[0], "model": model[1]} if model else {}
    found: dict[str, list[str]] = {}
    adapter = app.url_map.bind("localhost")
    for rule in app.url_map.iter_rules():
        pictures = rule.endpoint.endswith((".file", ".photo", ".pdf"))
        if not rule.endpoint.startswith("web.") or "GET" not in (rule.methods or ()) or pictures:
            continue
        if rule.endpoint.startswith(LEFT_OUT):
            continue
        values: Iterable[dict[str, Any]] = [{}]
        for name in sorted(rule.arguments):
            values = [{**one, name: value} for one in values for value in known.get(name, ())]
        more = query if rule.endpoint == "web.lifetimes.one" else {}
        found[rule.endpoint] = [adapter.build(rule.endpoint, {**one, **more}, method="GET") for one in values]
    found["web.look_first.index"].append(LOOK)
    return found


def timed(client: FlaskClient, path: str) -> tuple[float, int]:
    """Milliseconds and status of one page."""
    begin = time.perf_counter()
    status = client.get(path).status_code
    return 1e3 * (time.perf_counter() - begin), status


def main() -> None:
    for app in opened():
        client, shop_id = signed_in(app)
        timed(client, "/look-first")  # imports and the release are loaded
        timed(client, LOOK)
        everything, slow = [], []
        for endpoint, paths in sorted(addresses(app, shop_id).items()):
            if not paths:
                print(f"{endpoint:32s} nothing to open it for")
                continue
            first = [timed(client, path) for path in paths]
            rounds = ROUNDS_OF_SLOW_ONES if max(ms for ms, _ in first) > 10 * WANTED_MS else ROUNDS
            again = [timed(client, path)[0] for _ in range(rounds) for path in paths]
            everything += again
            worst = float(np.percentile(again, 95))
            slow += [endpoint] if worst > WANTED_MS else []
            statuses = sorted({status for _, status in first})
            print(
                f"{endpoint:32s} median {np.median(again):7.1f} ms  95 % {worst:7.1f} ms"
                f"  first time {max(ms for ms, _ in first):7.1f} ms  {statuses}",
                flush=True,
            )
        print(
            f"all pages: 95 % within {np.percentile(everything, 95):.1f} ms; above {WANTED_MS:g} ms: {slow or 'none'}"
        )


if __name__ == "__main__":
    main()
