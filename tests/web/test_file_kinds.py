"""Files of other kinds in a real browser: a workbook, JSON Lines, a workshop's raw lines, a file that takes long."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from typing import Any

import pytest
import xlsxwriter
from sqlalchemy import select

from service.app import WeakspotApp
from service.imports.jobs import outcome_of, run_import
from service.jobs.claiming import claim, finish, still_there
from service.models import ComponentType, Doubt, JobLine
from service.web import import_files
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row
from tests.web.browsers import Browsing
from tests.web.people import Visitor

CELLS = {
    "Job": "501", "Day": "2019-03-12", "Bike": "GTDLN65A2CA000127", "Make": "Tindrake", "Model": "Lanner 650",
    "Km": "23000", "Part": "reg/rec", "Action": "renewed", "Reason": "failed",
}  # fmt: skip


def workbook(rows: list[dict[str, str]]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("cards")
        for number, cells in enumerate([list(rows[0]), *(list(cells.values()) for cells in rows)]):
            sheet.write_row(number, 0, cells)
    return out.getvalue()


def json_lines(rows: list[dict[str, str]]) -> bytes:
    return "\n".join(json.dumps(cells) for cells in rows).encode()


KINDS = {"workbook": ("cards.xlsx", workbook, "sheet cards"), "JSON Lines": ("cards.jsonl", json_lines, "JSON Lines")}


def sent(window: Browsing, name: str, content: bytes) -> Any:
    """Send a file by its page; gives back the page that shows what was understood."""
    window.go("/log-work/files")
    window.page.set_input_files("input[type=file]", {"name": name, "mimeType": "", "buffer": content})
    window.page.get_by_role("button", name="Look at it").click()
    window.page.wait_for_url(re.compile("/log-work/files/[0-9a-f-]{36}$"))
    return window.page


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("width", "with_scripts"), [("phone", False), ("desktop", True)])
def test_other_kinds_of_file_go_in_by_the_page(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp, kind: str, width: str, with_scripts: bool
) -> None:
    name, written, said = KINDS[kind]
    window = browse(width, scripts=with_scripts, visitor=technician)
    page = sent(window, name, written([CELLS, {**CELLS, "Job": "502", "Day": "2020-04-05", "Km": "31000"}]))
    window.assert_sound()
    assert said in page.inner_text("main") and stored(app) == []
    page.get_by_role("button", name="Take 2 lines in").click()
    page.wait_for_url(re.compile("/imports/"))
    window.assert_sound()
    assert "Nothing from this file stands in doubt" in page.inner_text("main")
    assert stored(app) == ["regulator_rectifier", "regulator_rectifier"]


# The trade brief's raw lines (section on job cards, own examples), each with what was done to which part by its column
# "what happened"; a part of None: the line is about no part that the catalogue can name.
RAW: list[tuple[str, str, str, str | None]] = [
    ("12/3/19 23k reg/rec + batt", "renewed", "unknown", "regulator_rectifier"),
    ("R+R front wheel brgs", "repaired", "unknown", "wheel_bearing"),
    ("RR fitted", "renewed", "unknown", "regulator_rectifier"),
    ("not charging. stator to earth on 2 phases. new pattern stator + gskt, c/o rec", "renewed", "failed", "stator"),
    ("inj cleaned x2, runs ok", "repaired", "unknown", "injector"),
    ("F&R pads, bled", "renewed", "unknown", "brake_pad"),
    ("brake fluid", "renewed", "unknown", "brake_fluid"),
    ("svc 18000 (miles?)", "seen", "", None),
    ("clocks swapped s/h 9k on new ones was 31", "renewed", "unknown", "instrument_cluster"),
    ("chain & spkts cust supplied", "renewed", "unknown", "chain_sprockets"),
    ("found rear w/brg rough at MOT prep, chg'd", "renewed", "found_failed", "wheel_bearing"),
    ("dropped: rad, lever, ind", "renewed", "damage", "radiator_hoses"),
    ("fitted uprated reg (series) - customer request", "renewed", "upgrade", "regulator_rectifier"),
    ("belt due", "renewed", "scheduled", "cvt_belt"),
    ("N/S fork seal", "renewed", "unknown", "fork_seal"),
    ("no fault found, cleaned earths", "repaired", "unknown", "earth_point"),
    ("coil swap 1<->2, fault moved, ordered", "checked_bad", "failed", "ignition_coil"),
    ("won't start, fuel pump £££, still wouldn't, was side stand sw", "renewed", "misdiagnosis", "fuel_pump"),
    ("valves checked ok", "checked_good", "", "valve_train"),
    ("recall reg done", "renewed", "campaign", "regulator_rectifier"),
    ("as above other bike", "seen", "", None),
    ("odo 99999", "seen", "", None),
    ("Feb 21 (approx) prev owner, per receipts", "seen", "", None),
]


def raw_file() -> bytes:
    """The raw lines as a workshop keeps them: its own columns, a bike each, the words where the part should stand."""
    rows = ["Job No;Datum;Bike;Marke;Modell;KM;Teil;Work;Grund;Remarks"]
    for number, (text, action, reason, part) in enumerate(RAW, start=1):
        reading = "99999" if "99999" in text else "14950" if text == "belt due" else str(9000 + 100 * number)
        about, remark = (text, "") if part else ("", text)
        model = "Hexley;Dray 300" if part == "cvt_belt" else "Tindrake;Lanner 650"
        rows.append(f"{number};12/03/2019;RAW-{number:02d};{model};{reading};{about};{action};{reason};{remark}")
    return "\n".join(rows).encode()


def test_raw_lines_of_a_workshop_to_a_clean_review_list(
    browse: Callable[..., Browsing], technician: Visitor, app: WeakspotApp
) -> None:
    window = browse("desktop", scripts=False, visitor=technician)
    page = sent(window, "raw.csv", raw_file())
    page.get_by_label("Dates are written").select_option("dmy")
    page.get_by_role("button", name="Read it again like this").click()
    page.get_by_role("button", name=f"Take {len(RAW)} lines in").click()
    page.wait_for_url(re.compile("/imports/"))
    page.get_by_role("link", name="Answer them").click()
    for _round in range(8):
        if "Nothing stands in doubt" in page.inner_text("main"):
            break
        answer_what_is_shown(page)
    window.assert_sound()
    with app.database.read() as session:
        assert session.scalars(select(Doubt.kind).where(Doubt.settled_at.is_(None))).all() == []
    assert stored(app) == sorted(part for *_, part in RAW if part)


def answer_what_is_shown(page: Any) -> None:
    """Answer every doubt on the page as the mechanic who wrote the lines would."""
    parts = {text: part for text, _action, _reason, part in RAW}
    for doubt in page.locator(".doubts > li").all():
        text = doubt.locator("h3 q").inner_text()
        offered = [way.get_attribute("value") for way in doubt.locator("input[type=radio]").all()]
        part = next((slug for raw, slug in parts.items() if slug and raw.startswith(text.rstrip("…")[:30])), None)
        if "part" in offered:
            chosen = f"part:{part}" if f"part:{part}" in offered else "part"
            if chosen == "part":
                doubt.locator("[name$=-part]").fill(part or "")
        else:
            chosen = next(way for way in ("no_reading", "position", "as_written") if way in offered)
        doubt.locator(f"input[type=radio][value='{chosen}']").check()
    page.get_by_role("button", name="Answer what is chosen").last.click()
    page.wait_for_load_state()
    assert page.locator(".error").count() == 0, page.inner_text("main")


def test_how_far_a_long_import_is_can_be_seen(
    browse: Callable[..., Browsing],
    technician: Visitor,
    app: WeakspotApp,
    monkeypatch: pytest.MonkeyPatch,
    device: str,
    scripts: bool,
) -> None:
    """With scripts the bar moves by itself; without them there is a link to look again."""
    monkeypatch.setattr(import_files, "STAGED_FROM", 2)  # the test's file counts as a long one
    window = browse(device, scripts=scripts, visitor=technician)
    page = sent(window, "cards.csv", csv_file([row(card=str(n), date=f"20{n}-03-12") for n in (19, 20, 21)]))
    page.get_by_role("button", name="Take 3 lines in").click()
    page.wait_for_url(re.compile("/progress/"))
    window.assert_sound()
    assert "Waiting for its turn" in page.inner_text("main")
    taken = claim(app.database, NOW)
    assert taken is not None and still_there(app.database, taken, NOW, (1, 3))
    look_again(window, "1 of 3 rows are ready")
    bar = page.locator("progress")
    assert (bar.get_attribute("value"), bar.get_attribute("max")) == ("1", "3")
    assert bar.bounding_box()["width"] > 100
    window.assert_sound()
    run_import(app.database, taken.params["import_job"], now=NOW)
    finish(app.database, taken, NOW, result=outcome_of(app.database, taken.params["import_job"]))
    look_again(window, "3 lines were taken in")
    page.get_by_role("link", name="See what it brought").click()
    page.wait_for_url(re.compile("/imports/"))
    window.assert_sound()


def look_again(window: Browsing, said: str) -> None:
    """Wait for the page to say something; without scripts, ask for it."""
    if not window.scripts:
        window.page.get_by_role("link", name="Look again").click()
    window.page.get_by_text(said).wait_for()


def stored(app: WeakspotApp) -> list[str]:
    """The parts of the lines in force, by their slugs."""
    with app.database.read() as session:
        wanted = select(ComponentType.slug).join(JobLine, JobLine.component_type_id == ComponentType.id)
        return sorted(session.scalars(wanted.where(JobLine.superseded_by_id.is_(None))))
