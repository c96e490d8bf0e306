"""Cautions stand before steps on the page of every check of the catalogue, and in what the terminal prints of each."""

from __future__ import annotations

import re
from html import unescape

import pytest

from service.app import WeakspotApp
from service.catalogue_files import read_catalogue
from service.setup import seed_folder
from tests.service.callers import make_caller, make_command
from tests.service.inspection_cases import start
from tests.web.people import Visitor, make_visitor

CATALOGUE = read_catalogue(seed_folder() / "catalogue")
SHOP = "The Cog & Gasket"


@pytest.fixture(scope="module")
def visitor(shared_app: WeakspotApp) -> Visitor:
    with pytest.MonkeyPatch.context() as patch:
        from service.people import passwords
        from tests.web.people import QUICK

        patch.setattr(passwords, "HASHER", QUICK)
        return make_visitor(shared_app, SHOP, "tess@gasket.example", "technician")


@pytest.fixture(scope="module")
def inspection(shared_app: WeakspotApp) -> str:
    return str(start(make_caller(shared_app, SHOP), minutes=480)["id"])


def words(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


@pytest.mark.parametrize("check", sorted(CATALOGUE.check_by_id))
def test_page_of_every_check(visitor: Visitor, inspection: str, check: str) -> None:
    reply = visitor.get(f"/inspections/{inspection}/checks/{check}")
    assert reply.status_code == 200
    text = words(reply.get_data(as_text=True))
    known = CATALOGUE.check_by_id[check]
    cautions = [" ".join(CATALOGUE.caution_by_id[key].text.split()) for key in known.cautions]
    parent = CATALOGUE.check_by_id[getattr(known, "parent", check)]
    steps = text.index(f"Steps {' '.join(parent.steps[0].split())}") if check == parent.id else text.index("Steps ")
    assert cautions and all(text.index(caution) < steps for caution in cautions)


def test_terminal(shared_app: WeakspotApp, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan with a whole day, every tool and full leave: cautions in full first, then by name before each steps."""
    weakspot = make_command(shared_app.database, monkeypatch, capsys)
    described = ("--make", "Tindrake", "--model", "Lanner 650", "--odometer", "38000", "--as-of", "2026-06-01")
    leave = ("--minutes", "1440", "--kit", "bench", "--permission", "may-ride", "--shop", SHOP)
    code, out, err = weakspot("plan", *described, *leave)
    assert (code, err) == (0, "")
    opening, _, rest = out.partition("\n  1. ")
    plan = rest.split("Left out")[0]
    blocks = re.split(r"\n {1,3}\d+\. ", plan)
    assert len(blocks) > 15
    for block in blocks:
        assert "Cautions first: " in block and block.index("Cautions first: ") < block.index("Do: ")
        for key in re.findall(r"\bC\d+\b", block.split("Do: ")[0].split("Cautions first: ")[1]):
            assert key in opening
