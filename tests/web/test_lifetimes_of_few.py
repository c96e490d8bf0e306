"""Lifetimes where there is nothing, or one record; other shops' counts stay theirs."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from service.app import WeakspotApp
from tests.service.job_files import csv_file, row, seen, take_in
from tests.web.browsers import ONE_ENGINE, Browsing
from tests.web.people import Visitor

PAGE = "/lifetimes/regulator_rectifier"
MODEL = f"{PAGE}/model?make=Tindrake&model=Lanner+650"


@ONE_ENGINE
@pytest.mark.parametrize("records", [0, 1], ids=["nothing", "one record"])
def test_pages_are_sound(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, device: str, records: int
) -> None:
    if records:
        take_in(app.database, csv_file([row()]))
    window = browse(device, visitor=technician)
    for path in ("/lifetimes", PAGE, MODEL):
        window.go(path)
        window.assert_sound()
    said = window.page.inner_text("main")
    assert "the invented prior weighs above 99" in said and "No count of repeats yet" in said
    assert technician.get(f"{PAGE}/model/repeats.svg?make=Tindrake&model=Lanner+650").status_code == 404


def test_other_shops_records_do_not_show(visit: Callable[..., Visitor], app: WeakspotApp) -> None:
    cards = [
        line
        for k in range(4)
        for line in (
            seen(f"{k}a", "2017-05-02", "9000", machine=f"SECRET-{k}", built="2012-11"),
            row(card=f"{k}b", machine=f"SECRET-{k}", date="2019-03-12", odometer="23000"),
            seen(f"{k}c", "2021-05-02", "40000", machine=f"SECRET-{k}"),
        )
    ]
    take_in(app.database, csv_file(cards))
    own, stranger = visit("owner"), visit("owner", "Sallow Lane Arches")
    # By hand: each of the four machines failed once, at 23,000 km, while all four were watched.
    table = own.get(f"{PAGE}/model/repeats.csv?make=Tindrake&model=Lanner+650").get_data(as_text=True)
    at_30_000 = next(line for line in table.splitlines() if ",30000.0," in line)
    assert at_30_000.split(",")[3] == "1.0" and at_30_000.split(",")[6] == "4.0"
    told = re.sub(r"\s+", " ", stranger.get(MODEL).get_data(as_text=True))
    assert "No own records of this kind of part" in told and "No count of repeats yet" in told
    assert stranger.get(f"{PAGE}/model/repeats.csv?make=Tindrake&model=Lanner+650").status_code == 404
