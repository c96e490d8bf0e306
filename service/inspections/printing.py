"""A plan on paper: to be read under a lamp and filled in with a pencil; the same page as HTML or PDF.

The page stands by itself: its style is inside, it loads nothing, and a PDF is made without fetching anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from service.catalogue_types import Catalogue
from service.check_types import Limit
from service.errors import InvalidInput, NotAvailable
from service.inspections.check_options import full_check
from service.inspections.limits_on_file import JUDGED_FROM
from service.inspections.plan_texts import limit_text, sources_named, where_from
from service.vocabulary import PART_MARKS

INSTALL_LINE = "pip install 'weakspot[pdf]' (it also needs the system library pango)"
OUTCOME_BOXES = ("pass", "marginal", "fail", "could not judge")
MOST_BOXES = 6  # on a line; readings of further places go into the note


@dataclass(frozen=True)
class Sheet:
    """What a printed plan is made from.

    `plan` is a plan's document; `positions` the places of each component on this machine; `findings` what was found
    so far, as an inspection shows it; `defects` its safety defects.
    """

    title: str
    machine: str
    day: date
    plan: Mapping[str, Any]
    positions: Mapping[str, Sequence[str]]
    findings: Sequence[Mapping[str, Any]] = ()
    defects: Sequence[Mapping[str, Any]] = ()


def html_of(sheet: Sheet, catalogue: Catalogue) -> str:
    """The page as HTML."""
    plan = sheet.plan
    lines = [_line(line, sheet, catalogue) for line in plan["lines"]]
    return rendered(
        "print.html",
        title=sheet.title,
        machine=sheet.machine,
        facts=[
            ("Day", sheet.day.isoformat()),
            ("Kit", plan["kit"]),
            ("Leave", plan["permission"].replace("_", " ")),
            ("Minutes", f"{plan['minutes']:g}"),
        ],
        defects=[_defect(entry, catalogue) for entry in sheet.defects],
        cautions=_all_cautions(plan["lines"]),
        used=math.ceil(plan["minutes_used"]),
        minutes=f"{plan.get('minutes_left', plan['minutes']):g}",
        lines=lines,
        begun=bool(sheet.findings),
        findings=[_finding(entry, catalogue) for entry in sheet.findings],
        left_out=_left_out(plan["left_out"]),
        unseen=[part["name"] for part in plan["safety"]["parts_no_line_looks_at"]],
        sources=_sources(lines, catalogue),
        notes=plan.get("notes", ()),
    )


def pdf_of(sheet: Sheet, catalogue: Catalogue) -> bytes:
    """The page as PDF; raises as `pdf_from` does."""
    return pdf_from(html_of(sheet, catalogue))


def rendered(template: str, **values: Any) -> str:
    """A page that stands by itself, with the style of paper inside."""
    return _environment().get_template(template).render(style=_style(), **values)


def pdf_from(html: str) -> bytes:
    """A page that stands by itself as PDF.

    Raises
    ------
    NotAvailable
        If what makes PDFs is not installed.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise NotAvailable(f"PDFs cannot be made here; install what makes them: {INSTALL_LINE}") from error
    made: bytes = HTML(string=html, url_fetcher=_fetch_nothing).write_pdf()
    return made


def _fetch_nothing(url: str, *args: Any, **kwargs: Any) -> Any:
    raise ValueError(f"a printed page loads nothing, and so not {url}")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(loader=PackageLoader("service", "web/templates"), autoescape=True, undefined=StrictUndefined)


@lru_cache(maxsize=1)
def _style() -> Any:
    from markupsafe import Markup

    return Markup(files("service").joinpath("web/static/print.css").read_text(encoding="utf-8"))


def _all_cautions(lines: Iterable[Mapping[str, Any]]) -> list[Mapping[str, str]]:
    """Every caution of the plan once, in full."""
    found = {caution["id"]: caution for line in lines for caution in line["cautions"]}
    return [found[key] for key in sorted(found, key=lambda key: int(key[1:]))]


def _line(line: Mapping[str, Any], sheet: Sheet, catalogue: Catalogue) -> dict[str, Any]:
    """A line with its boxes: one for each reading the limits ask for, a row of outcomes for each place."""
    rows = [
        {"name": _part(slug, place, catalogue), "found": _found_before(line["check"], slug, place, sheet.findings)}
        for slug in dict.fromkeys(line["components"])
        for place in _places(sheet, slug)
    ]
    limits = [{**limit, "said": where_from(limit)} for limit in line["limits"]]
    boxes = [*PART_MARKS, "not readable"] if full_check(line["check"], catalogue).mark_of else list(OUTCOME_BOXES)
    return {
        **line,
        "limits": limits,
        "boxes": boxes,
        "rows": rows,
        "readings": _readings(line, sheet, catalogue),
    }


def _places(sheet: Sheet, slug: str) -> Sequence[str | None]:
    return sheet.positions.get(slug) or (None,)


def _readings(line: Mapping[str, Any], sheet: Sheet, catalogue: Catalogue) -> list[dict[str, Any]]:
    """One row of boxes a quantity that can be read and is judged, each box with its place where there are several."""
    full = full_check(line["check"], catalogue)
    judged = {limit["quantity"].casefold(): limit for limit in line["limits"]}
    found: dict[str, dict[str, Any]] = {}
    for limit in catalogue.limits_of(full.id):
        if limit.quantity.casefold() not in judged or limit.component not in (None, *line["components"]):
            continue
        for name in JUDGED_FROM.get(limit.quantity, (limit.quantity,)):
            quantity = name.split(",")[0] if limit.region else name
            slugs = [limit.component] if limit.component else line["components"]
            labels = max((list(sheet.positions.get(slug, ())) for slug in slugs), key=len, default=[])
            row = {"quantity": quantity, "unit": _unit(name, limit, catalogue), "labels": _labels(quantity, labels)}
            found.setdefault(quantity, row)
    # "disc thickness" says no more where the front and the rear one have boxes of their own.
    return [row for name, row in found.items() if not any(other.endswith(f" {name}") for other in found)]


def _unit(quantity: str, limit: Limit, catalogue: Catalogue) -> str:
    """What the meter shows: a limit in per cent of something is worked out from readings in another unit."""
    own = [x.unit for x in catalogue.limits_of(limit.check) if x.quantity.casefold() == quantity.casefold()]
    return own[0] if own else "" if quantity != limit.quantity and "percent" in limit.basis else limit.unit


def _labels(quantity: str, places: Sequence[str]) -> list[str]:
    """What stands in the boxes of one reading."""
    if "phase" in quantity:
        return ["a-b", "b-c", "c-a"]
    end = quantity.split()[0]
    here = [place for place in places if place.startswith(end)] if end in ("front", "rear") else list(places)
    return [place.replace("_", " ") for place in here[:MOST_BOXES]] if len(here) > 1 else [""]


def _part(slug: str, place: str | None, catalogue: Catalogue) -> str:
    name = catalogue.component_by_slug[slug].name
    return f"{name}, {place.replace('_', ' ')}" if place else name


def _found_before(check: str, slug: str, place: str | None, findings: Sequence[Mapping[str, Any]]) -> str:
    mine = [f for f in findings if f["check"] == check and f["component"] in (None, slug)]
    mine = [f for f in mine if f["position"] in (None, place)]
    return str(mine[-1].get("part_mark") or mine[-1]["outcome"]) if mine else ""


def _finding(entry: Mapping[str, Any], catalogue: Catalogue) -> dict[str, str]:
    """A finding on one line."""
    judged_by = entry.get("judged_by")
    readings = [
        " / ".join(f"{'over ' if v['over_range'] else ''}{v['value']:g}" for v in reading["values"])
        + f" {reading['unit']}"
        for reading in entry.get("readings", ())
    ]
    return {
        "check": entry["check"],
        "title": entry["title"],
        "part": _part(entry["component"], entry["position"], catalogue) if entry["component"] else "",
        "outcome": entry["outcome"],
        "reading": "; ".join(readings),
        "limit": next((limit_text(limit) for limit in catalogue.limits if limit.id == judged_by), judged_by)
        or "by eye and hand",
    }


def _defect(entry: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    name = _part(entry["component"], entry["position"], catalogue) if entry["component"] else None
    return {**entry, "name": name}


def _sources(lines: Iterable[Mapping[str, Any]], catalogue: Catalogue) -> list[str]:
    """What the codes of sources on the page stand for."""
    named = {source.id: source.what for line in lines for source in sources_named(line, catalogue)}
    of_limits = {s["id"]: s["what"] for line in lines for limit in line["limits"] for s in limit["sources"] if s["id"]}
    return [f"{code} {what}" for code, what in sorted((named | of_limits).items())]


def _left_out(entries: Iterable[Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    by_reason: dict[str, list[str]] = {}
    for entry in entries:
        by_reason.setdefault(entry["reason"], []).append(f"{entry['title']} ({entry['check']})")
    return [(reason[:1].upper() + reason[1:], titles) for reason, titles in by_reason.items()]


def write_to(path: Path, sheet: Sheet, catalogue: Catalogue) -> None:
    """Write the page to a file, as its suffix says.

    Raises
    ------
    InvalidInput
        For a suffix other than .html and .pdf.
    """
    kind = path.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise InvalidInput(f"name the file with .html or .pdf at its end, not {path.name!r}")
    content = pdf_of(sheet, catalogue) if kind == ".pdf" else html_of(sheet, catalogue).encode()
    path.write_bytes(content)
