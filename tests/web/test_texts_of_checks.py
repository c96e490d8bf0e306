"""Codes in the texts of checks say what they stand for, on pages and on paper."""

from __future__ import annotations

import re
from html import unescape

from flask import g

from service.app import WeakspotApp
from service.catalogue import current_catalogue
from service.web.cited import with_titles
from service.web.texts import reader_of
from tests.web.filled import World


def test_a_check_named_by_its_code_has_its_title_behind_it(shared_app: WeakspotApp) -> None:
    with shared_app.database.read() as session:
        title = current_catalogue(session).check_by_id["T02"].title
    with shared_app.test_request_context("/sign-in"):
        g.reader = reader_of("en_GB")
        assert with_titles("Charge, then T02. Not T99.") == f"Charge, then T02 ({title}). Not T99."


def test_every_source_in_brackets_is_named(app: WeakspotApp) -> None:
    """Whatever stands in brackets and is a source of the catalogue is told on the page, and on the printed plan."""
    world = World(app)
    visit = f"/inspections/{world.values['inspection_id'][0]}"
    with app.database.read() as session:
        catalogue = current_catalogue(session)
    for path in (f"{visit}/checks/T01", f"{visit}/checks/T26", f"{visit}/plan.html"):
        page = unescape(world.owner.get(path).get_data(as_text=True))
        codes = {code.strip() for inside in re.findall(r"\[([^\]<]+)\]", page) for code in re.split("[,;]", inside)}
        named = [catalogue.source_by_id[code] for code in codes & set(catalogue.source_by_id)]
        assert named, path
        for source in named:
            assert f"{source.id}: {source.what}" in page or f"{source.id} {source.what}" in page, (path, source.id)
