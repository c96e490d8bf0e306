"""The list for the seller's table on paper: what was found and what it costs; no talking points, no season."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from service.inspections.printing import rendered

TITLE = "What was found, and what it costs to put right"


def bill_html(bill: Mapping[str, Any], machine: Mapping[str, Any], day: date) -> str:
    """The page as HTML, from a bill's document and the machine as the inspection holds it."""
    *printed, closing = bill["sellers_list"]
    odometer = machine.get("odometer")
    facts = [("Day", day.isoformat()), ("Labour", f"{bill['hourly_rate']} {bill['currency']} an hour")]
    if odometer:
        facts.insert(1, ("Odometer", f"{odometer['value']:,g} {odometer['unit']}"))
    return rendered(
        "bill_print.html",
        title=TITLE,
        machine=f"{machine['make']} {machine['model']}",
        facts=facts,
        sections=_sections(printed),
        closing=closing,
    )


def _sections(printed: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Headings stand at the margin, what belongs to them is set in."""
    sections: list[tuple[str, list[str]]] = []
    for line in printed:
        if line.startswith(" "):
            sections[-1][1].append(line.strip())
        else:
            sections.append((line, []))
    return sections
