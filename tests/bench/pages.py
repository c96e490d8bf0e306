"""Every page that a GET opens, warm, with one worker: a filled world, or the database WEAKSPOT_DATABASE_URL names.

A page with a component or a machine in its address is opened for several of them, each for the first time once: that
first time is told apart, as nobody warms a page up for somebody who opens it. Times by the clock are those of this
machine with whatever else runs on it; processor time is told beside them, and is what is held against the wish. The
last column is what a page weighs without styles, scripts and pictures. Words after the command pick the pages whose
endpoints hold one of them.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
from flask.testing import FlaskClient
from sqlalchemy import func, select

from service.app import WeakspotApp, build_app
from service.db import Database
from service.models import ComponentType, ImportBatch, Job, JobCard, JobLine, Machine, MachineMake, MachineModel, Shop
from service.people.accounts import add_member, set_password
from service.server import set_aside
from service.settings import Settings
from tests.service.job_files import csv_file, row
from tests.web.people import PASSWORD, Visitor

WANTED_MS = 100.0
ROUNDS, ROUNDS_OF_SLOW_ONES = 8, 1
SEVERAL = 5
LOOK = "/look-first?make=Tindrake&model=Lanner+650&odometer=38000&unit=km&minutes=30&kit=home&permission=may_strip"
KINDS = ("odometer_falls", "ambiguous_word", "filler_reading", "usage_implausible")
LEFT_OUT = ("web.openid.", "web.sign_in.sign_out")  # they lead elsewhere


def opened() -> Iterator[WeakspotApp]:
    """An application over the named database, or over the small world of the tests."""
    if "WEAKSPOT_DATABASE_URL" in os.environ:
        settings = Settings.from_environment()
        yield build_app(settings, Database(settings.database_url))
        return
    from tests.service.story_world import make_story, story_caller

    with tempfile.TemporaryDirectory() as folder:
        app = story_caller(make_story(Path(folder))).http.application
        assert isinstance(app, WeakspotApp)
        yield app


def signed_in(app: WeakspotApp) -> Visitor:
    """Somebody new who owns the shop with most machines."""
    with app.database.write() as session:
        most = select(Machine.shop_id).group_by(Machine.shop_id).order_by(func.count().desc()).limit(1)
        shop = session.get_one(Shop, session.scalars(most).one())
        login = f"bench-{uuid.uuid4().hex[:8]}@weakspot.example"
        set_password(session, add_member(session, shop.id, login, "owner", now=app.now()), PASSWORD)
        shop_id = shop.id
    visitor = Visitor(app.test_client(), login, shop_id)
    assert visitor.sign_in(login).status_code == 303
    return visitor


def begun(visitor: Visitor) -> dict[str, list[str]]:
    """An inspection with a reading that failed, and a file that is looked at."""
    visit = visitor.post(LOOK.replace("/look-first", "/inspections"), shown_at="/look-first").location
    finding = visitor.post(f"{visit}/checks/T03", {"values-0": "12.9"}).location
    held = visitor.post(
        "/log-work/files",
        {"file": (io.BytesIO(csv_file([row()])), "cards.csv")},
        shown_at="/log-work/files",
        content_type="multipart/form-data",
    ).location
    return {
        "inspection_id": [visit.rpartition("/")[2]],
        "finding_id": [finding.rpartition("/")[2]],
        "file_id": [held.rpartition("/")[2]],
    }


def addresses(app: WeakspotApp, visitor: Visitor) -> dict[str, list[str]]:
    """Addresses of every page by endpoint; empty where the world has nothing to open it for."""
    shop_id, own = visitor.shop_id, begun(visitor)
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
            "line_id": ids(JobLine),
            "card_id": ids(JobCard),
            "import_id": ids(ImportBatch),
            **own,
            "backtest_id": ids(Job, Job.kind == "backtest", Job.state == "done"),
            "check_id": ["T03"],
            "suffix": ["csv"],
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
    found["web.look_first described"] = [LOOK.replace("38000", str(km)) for km in range(12_000, 72_000, 12_000)]
    found["web.review of a kind"] = [f"/review?kind={kind}" for kind in KINDS]
    found["web.ahead.pull asked"] = ["/ahead/pull-list?hours=20"]
    found["web.ahead.spares asked"] = ["/ahead/spares?component=battery"]
    found["web.ahead.renewal asked"] = [
        f"/ahead/renewal?component=battery&planned=120&failure=400&clock=days&{urlencode(query)}"
    ]
    return found


def timed(client: FlaskClient, path: str) -> tuple[float, float, int, float]:
    """Milliseconds by the clock and of this process's processor time, status and weight in kB of one page."""
    begin, begun = time.perf_counter(), time.process_time()
    reply = client.get(path)
    size = len(reply.get_data())  # a streamed file is written while it is read
    return 1e3 * (time.perf_counter() - begin), 1e3 * (time.process_time() - begun), reply.status_code, size / 1e3


def measure(client: FlaskClient, endpoint: str, paths: list[str]) -> list[float]:
    """Time the pages of one endpoint and say what came of it; gives back the processor times once warm."""
    first = np.array([timed(client, path) for path in paths])
    rounds = ROUNDS_OF_SLOW_ONES if first[:, 0].max() > 10 * WANTED_MS else ROUNDS
    again = np.array([timed(client, path)[:2] for _ in range(rounds) for path in paths])
    wall, cpu = (np.percentile(again[:, column], (50, 95)) for column in (0, 1))
    _, cpu_first, status, weight = first.T
    statuses = sorted({int(code) for code in status})
    print(
        f"{endpoint:32s} {wall[0]:8.1f} {wall[1]:8.1f} {cpu[0]:8.1f} {cpu[1]:8.1f}"
        f" {cpu_first.max():10.1f} {weight.max():8.1f}  {statuses}",
        flush=True,
    )
    return [float(ms) for ms in again[:, 1]]


def main(wanted: Sequence[str] = ()) -> None:
    for app in opened():
        visitor = signed_in(app)
        client = visitor.http
        set_aside()  # as the server does, once it is loaded
        timed(client, "/look-first")  # imports and the release are loaded
        timed(client, LOOK)
        print(
            f"{'milliseconds':32s} {'wall 50':>8s} {'95 %':>8s} {'cpu 50':>8s} {'95 %':>8s} {'first cpu':>10s}"
            f" {'kB':>8s}"
        )
        everything, slow = [], []
        for endpoint, paths in sorted(addresses(app, visitor).items()):
            if wanted and not any(part in endpoint for part in wanted):
                continue
            if not paths:
                print(f"{endpoint:32s} nothing to open it for")
                continue
            again = measure(client, endpoint, paths)
            everything += again
            slow += [endpoint] if np.percentile(again, 95) > WANTED_MS else []
        print(
            f"all pages: 95 % within {np.percentile(everything, 95):.1f} ms of processor time;"
            f" above {WANTED_MS:g} ms: {', '.join(slow) or 'none'}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
