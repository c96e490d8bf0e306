"""Pictures of every page: ``python -m tests.web.pictures [FOLDER]``; ``make pictures`` does.

A server runs over a copy of the demo's database (made if it is missing), over one with a single card, and over an
empty one; a browser signs in and looks at every page at the widths of a phone and a desk, light and dark. Three of the
pictures are written into `seed/pictures`, small enough for the README.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from rich.console import Console
from sqlalchemy import delete

from seed import demo
from service.app import WeakspotApp, build_app
from service.jobs.claiming import claim
from service.jobs.process import _run
from service.models import SignInBrake
from service.settings import Settings
from service.setup import upgrade_and_load
from tests.service.job_files import SHOP, csv_file, row, take_in
from tests.web.browsers import SIZES, Browsing, chromium_or_skip, serving
from tests.web.people import Visitor, make_visitor

FOLDER = Path("var/pictures")
CHOSEN = Path("seed/pictures")
MOST_BYTES = 200_000
NOW = datetime(2026, 6, 1, 8, tzinfo=UTC)
STORY = "make=Tindrake&model=Lanner+650&built=2012-11&odometer=38000&unit=km&minutes=40&kit=home&permission=seat_off"
LOOK = f"/look-first?{STORY}"
HALF = "/look-first?make=Tindrake"
SIGN_IN = "/sign-in"
NOTHING = "/nothing-here"
ALONE = (
    "/account",
    "/look-first",
    HALF,
    "/inspections",
    "/log-work",
    "/log-work/files",
    "/review",
    "/machines",
    "/lifetimes",
    "/lifetimes/regulator_rectifier",
    "/how-right",
    "/ahead",
    "/ahead/pull-list?hours=8",
    "/ahead/due?days=60",
    "/ahead/spares?component=battery",
    "/ahead/renewal?component=battery&make=Tindrake&model=Lanner+650&planned=120&failure=400&clock=days",
    "/shop",
    "/shop/people",
    "/shop/tokens",
    "/shop/shared",
    "/shop/copies",
    "/shop/accesses",
    NOTHING,
)
# Pages of records, each found by the first link of this form on the page before.
LINKED = (
    ("/machines", r"/machines/[0-9a-f-]{36}"),
    ("/review", r"/review\?kind=[^\"]+", r"/review/lines/[0-9a-f-]{36}", r"/log-work/cards/[0-9a-f-]{36}"),
    ("/lifetimes/regulator_rectifier", r"/lifetimes/[^\"]+/model\?[^\"]*stratum=0[^\"]*"),
)
# What the README shows, as a phone or a desk has it on its first view.
README = {
    "look-first": ("demo-look-first-asked", "phone"),
    "finding": ("demo-inspections-x-findings-x", "phone"),
    "ahead": ("demo-ahead", "desktop"),
}
MESSY = b"""Km;Bike;Day;Job;Word
23.000;LN-9001;12/3/19;1001;new regulator
31.500;LN-9001;1/13/21;1002;rotor gone
12.000;LN-9001;2/2/22;1003;fork seals
"""


@contextmanager
def world(source: Path | None, *, one_card: bool = False) -> Iterator[WeakspotApp]:
    """An application over a copy of a database, or over a new one."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pictures.sqlite"
        if source is not None:
            shutil.copy(source, path)
        settings = Settings(database_url=f"sqlite:///{path}", pool_open=True, requests_per_minute=0)
        app = build_app(settings)
        upgrade_and_load(app.database, NOW)
        with app.database.write() as session:  # whoever signed in after the pictures' own day
            session.execute(delete(SignInBrake))
        app.now = lambda: NOW  # type: ignore[method-assign]
        if one_card:
            take_in(app.database, csv_file([row()]))
        yield app
        app.dispose()


def demo_file() -> Path:
    """The demo's database, made if it is not there yet."""
    path = Path(demo.DEMO_DATABASE.removeprefix("sqlite:///"))
    if not path.exists():
        os.environ["WEAKSPOT_DATABASE_URL"] = demo.DEMO_DATABASE
        demo.main()
    return path


def inspected(visitor: Visitor) -> list[str]:
    """Pages of an inspection in which a reading failed."""
    visit = visitor.post(f"/inspections?{STORY}", shown_at="/look-first").location
    finding = visitor.post(f"{visit}/checks/T03", {"values-0": "12.9"}).location
    checks = [f"{visit}/checks/{check}" for check in ("T01", "T05")]
    return [visit, *checks, finding, f"{visit}/bill?asking_price=2900", f"{visit}/plan.html"]


def uploaded(visitor: Visitor) -> list[str]:
    """The page that shows what was understood of a messy file."""
    sent = visitor.post(
        "/log-work/files",
        {"file": (io.BytesIO(MESSY), "cards.csv")},
        shown_at="/log-work/files",
        content_type="multipart/form-data",
    )
    return [sent.location] if sent.location else []


def addresses(visitor: Visitor) -> list[str]:
    """Every page there is in a world, those of its records included."""
    found = [*ALONE, LOOK, *inspected(visitor), *uploaded(visitor)]
    for page, *patterns in LINKED:
        for pattern in patterns:
            link = re.search(rf'href="({pattern})', visitor.get(page).get_data(as_text=True))
            if link is None:
                break
            page = link[1].replace("&amp;", "&")
            found.append(page)
    return found


def looked_back(app: WeakspotApp, visitor: Visitor) -> list[str]:
    """The page that says how right the chances of two years ago were; none where there is nothing to look back on."""
    where = visitor.post("/how-right", {"as_of": "2024-01-01", "months": "12"}, shown_at="/how-right").location
    taken = claim(app.database, NOW)
    visitor.get(where)  # what was said about asking is said once
    return [where] if taken and _run(app.database, app.settings, taken) == 0 else []


def name_of(path: str) -> str:
    """A file name for a page."""
    plain = re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}", "x", path.partition("?")[0]).strip("/")
    asked = "" if "?" not in path else "-half" if path == HALF else "-asked"
    return re.sub(r"\W+", "-", plain) + asked


# drawings come in the tone of the page, anew when it changes
DRAWN = """(look) => [...document.images].every((image) =>
    image.complete && (!image.closest("picture") || image.currentSrc.includes("tone=" + look)))"""


def take(chromium: Any, site: str, visitor: Visitor, kind: str, folder: Path, paths: list[str]) -> int:
    """Pictures of every page of a world, each asked for once; gives back how many."""
    taken = 0
    for path in (SIGN_IN, *paths):
        who = None if path == SIGN_IN else visitor
        window = Browsing.open(chromium, site, "phone", scripts=True, visitor=who, dark=False)
        window.page.set_default_timeout(120_000)  # the first look at a fleet reads all of it
        window.go(path)
        name = f"{kind}-{name_of(path)}"
        for device, (width, height) in SIZES.items():
            window.page.set_viewport_size({"width": width, "height": height})
            if (name, device) in README.values():
                keep(window.page.screenshot(), next(k for k, shown in README.items() if shown == (name, device)))
            for look in ("light", "dark"):
                window.page.emulate_media(color_scheme=look)
                window.page.wait_for_function(DRAWN, arg=look)
                window.page.screenshot(path=str(folder / f"{name}-{device}-{look}.png"), full_page=True)
                taken += 1
            window.page.emulate_media(color_scheme="light")
        window.close()
    return taken


def keep(picture: bytes, name: str) -> None:
    """Write one of the README's pictures, with few colours and without anything but the picture."""
    small = Image.open(io.BytesIO(picture)).convert("RGB").quantize(colors=64, dither=Image.Dither.NONE)
    path = CHOSEN / f"{name}.png"
    small.save(path, optimize=True)
    if path.stat().st_size > MOST_BYTES:
        raise SystemExit(f"{path} has more than {MOST_BYTES} bytes; show less of the page")


def main(folder: Path) -> int:
    """Take all of them."""
    console, source, taken = Console(highlight=False), demo_file(), 0
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    worlds = (("demo", source, False), ("one", None, True), ("empty", None, False))
    for chromium in chromium_or_skip():
        for kind, database, one_card in worlds:
            with world(database, one_card=one_card) as app:
                visitor = make_visitor(app, SHOP, "mara@gasket.example", "owner")
                for site in serving(app):
                    paths = addresses(visitor) + looked_back(app, visitor)
                    taken += take(chromium, site, visitor, kind, folder, paths)
            console.print(f"{kind}: done")
    console.print(f"{taken} pictures in {folder}; {len(README)} in {CHOSEN} for the README")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER))
    except pytest.skip.Exception as absent:
        sys.exit(str(absent))
