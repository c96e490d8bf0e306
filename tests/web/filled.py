"""A small world in which every page has something to show, and the address of every page in it."""

from __future__ import annotations

import io
from urllib.parse import urlencode

from PIL import Image
from sqlalchemy import select

from service.app import WeakspotApp
from service.fitting import refit
from service.models import JobCard, JobLine, Machine, Person
from service.people.accounts import add_member, password_link
from tests.service.databases import NOW
from tests.service.job_files import SHOP, csv_file, row, seen, take_in
from tests.web.people import make_visitor

# What is asked on pages that ask something; each is looked at without it, too.
ASKED = {
    "web.ahead.index": "months=6",
    "web.ahead.pull": "hours=8",
    "web.ahead.due": "days=90",
    "web.ahead.spares": "component=cvt_belt&lead_time_days=21",
    "web.ahead.renewal": "component=cvt_belt&make=Hexley&model=Dray+300&planned=100&failure=400&clock=km",
    "web.inspections.bill": "asking_price=2900",
    "web.lifetimes.one": "make=Hexley&model=Dray+300",
    "web.machines.index": "named=M",
    "web.machines.one": "all=1",
}


# Shown by tests of their own: they need a backtest that was run, or are files of a page that is here.
ELSEWHERE = {
    *("web.how_right.one", "web.how_right.file", "web.lifetimes.file"),
    *("web.log_work.files.look", "web.log_work.files.progress", "web.log_work.files.one"),  # of a file held
}
# Say nothing before they are asked.
ONLY_ASKED = {"web.lifetimes.one"}


class World:
    """A shop with machines, lines in doubt, an inspection, a picture and people. `said` is put into every free text."""

    def __init__(self, app: WeakspotApp, *, said: str = "", shop: str = SHOP) -> None:
        self.app, self.said = app, said
        self.shop = f"{shop}{said}"
        take_in(app.database, csv_file(self._rows()), shop=self.shop)
        refit(app.database, now=NOW, pool_open=True)
        self.owner = make_visitor(app, self.shop, "mara@gasket.example", "owner")
        self.values = {
            "check_id": ["T03", "T05"],
            "kind": ["csv", "ics"],
            "suffix": ["csv", "jsonl"],
            "component": ["cvt_belt"],
            **self._people(),
            **self._records(),
        }

    def _rows(self) -> list[dict[str, str]]:
        rows = []
        for number in (1, 2, 3):
            words = {
                # As long as a frame number, which no column may cut or lay over the next.
                "machine": f"M{number}LN65A2CA000127{self.said}"[:80],
                "make": f"Hexley{self.said}"[:80],
                "model": "Dray 300",
                "model_year": "2014",
                "notes": self.said,
            }
            belt = {"component": "cvt_belt", "reason": "scheduled"}
            rows += [
                seen(f"{number}a{self.said}"[:80], "2016-03-01", "4000", **words),
                row(**{**words, **belt, "card": f"{number}b", "date": "2019-05-01", "odometer": "30000"}),
                # Less on the clock than before: a doubt.
                row(**{**words, "card": f"{number}c", "date": "2020-05-01", "odometer": "12000"}),
                seen(f"{number}d", "2025-11-01", "61000", **words),
            ]
        return rows

    def _people(self) -> dict[str, list[str]]:
        with self.app.database.write() as session:
            shop_id = self.owner.shop_id
            odd = "".join(self.said.split())[:200]
            add_member(session, shop_id, f"jo{odd}@gasket.example", "technician", now=NOW)
            person = session.scalars(select(Person).where(Person.login == "mara@gasket.example")).one()
            key = password_link(session, person, now=NOW)
        self.owner.post(
            "/shop/tokens", {"label": f"till{self.said}", "scope": "read", "days": "30"}, shown_at="/shop/tokens"
        )
        return {"key": [key]}

    def _records(self) -> dict[str, list[str]]:
        machine = {"make": f"Hexley{self.said}"[:80], "model": "Dray 300", "odometer": "61000", "unit": "km",
                   "model_year": "2014", "minutes": "40", "permission": "may_strip", "kit": "home"}  # fmt: skip
        self.look = urlencode(machine)
        visit = self.owner.post(f"/inspections?{self.look}", shown_at="/look-first").location
        finding = self.owner.post(f"{visit}/checks/T03", {"values-0": "12.9", "note": self.said}).location
        picture = io.BytesIO()
        Image.new("RGB", (8, 8)).save(picture, "PNG")
        picture.seek(0)
        self.owner.post(f"{visit}/photos", {"photo": (picture, "a.png"), "caption": self.said},
                        content_type="multipart/form-data")  # fmt: skip
        self.owner.post(f"{visit}/outcomes", {"part": "stator|", "really_bad": "yes", "note": self.said})
        page = self.owner.get(visit).get_data(as_text=True)
        photo = page.partition("/photos/")[2][:36]
        with self.app.database.read() as session:
            machines = session.scalars(
                select(Machine.public_id).where(Machine.shop_id == self.owner.shop_id).order_by(Machine.id)
            ).all()
            line = session.scalars(select(JobLine).where(JobLine.shop_id == self.owner.shop_id).limit(1)).one()
            card = session.get_one(JobCard, line.card_id)
            stored = {"line_id": [str(line.public_id)], "card_id": [str(card.public_id)]}
        return {
            **stored,
            "inspection_id": [visit.rpartition("/")[2]],
            "finding_id": [finding.rpartition("/")[2]],
            "photo_id": [photo],
            "machine_id": [str(machines[0])],
        }

    def addresses(self) -> list[tuple[str, str]]:
        """Endpoint and address of every page with GET; those that ask something also with it asked."""
        asked = {**ASKED, "web.look_first.index": self.look}
        adapter, found = self.app.url_map.bind("localhost"), []
        for rule in self.app.url_map.iter_rules():
            if not rule.endpoint.startswith("web.") or "GET" not in (rule.methods or ()):
                continue
            if rule.endpoint in ELSEWHERE:
                continue
            assert rule.arguments <= set(self.values), f"{rule}: say in tests/web/filled.py what there is to show"
            for n in range(max([len(self.values[name]) for name in rule.arguments], default=1)):
                chosen = {name: self.values[name][n % len(self.values[name])] for name in rule.arguments}
                path = adapter.build(rule.endpoint, chosen)
                if rule.endpoint not in ONLY_ASKED:
                    found.append((rule.endpoint, path))
                if rule.endpoint in asked:
                    found.append((rule.endpoint, f"{path}?{asked[rule.endpoint]}"))
        return found
