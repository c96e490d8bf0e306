"""An inspection in a terminal: a check with its cautions first, what a finding changed, the verdict and the bill."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.panel import Panel
from rich.text import Text

from service.catalogue_types import Catalogue
from service.cli_text import HUE, counted, per_cent
from service.inspections.bill_texts import about
from service.inspections.plan_texts import where_from

SHOWN_CHANGES = 5
SHOWN_PARTS = 8
WORTH_SAYING = 0.03  # chance bad now from which a part is named in the verdict


def console(*, err: bool = False) -> Console:
    """Where it goes; a file or a pipe gets lines of a fixed width without colours."""
    out = Console(highlight=False, stderr=err)
    return out if out.is_terminal else Console(highlight=False, stderr=err, width=110)


def show_header(shown: Mapping[str, Any], catalogue: Catalogue, *, err: bool) -> None:
    """Which inspection this is, and what there is to do it with."""
    out = console(err=err)
    machine, plan = shown["machine"], shown["plan"]
    out.print(Text(f"{machine['make']} {machine['model']}, {machine['km']:,.0f} km", style="bold"))
    out.print(Text(f"Inspection {shown['id']}, {counted(len(shown['findings']), 'finding')} so far"))
    kit, leave = plan["kit"], plan["permission"].replace("_", " ")
    out.print(Text(f"{plan['minutes_left']:g} of {plan['minutes']:g} minutes left, {kit} kit, {leave}"))
    _show_defects(out, shown["safety_defects"], catalogue)


def _cautions(entries: Iterable[Mapping[str, str]], title: str) -> Panel | None:
    text = Text()
    for caution in entries:
        text.append(f"{caution['id']} {caution['title']}. ", style="bold")
        text.append(caution["text"] + "\n")
    text.rstrip()
    return Panel(text, title=title, title_align="left", border_style=HUE) if text else None


def show_check(line: Mapping[str, Any], plan: Mapping[str, Any], *, err: bool) -> None:
    """One check: cautions in full, then what to take off, conditions, steps, what to expect, limits."""
    out = console(err=err)
    out.print()
    out.print(Text(f"{line['title']} ({line['check']}), {line['minutes']:g} min", style="bold"), Text(line["why"]))
    panel = _cautions(line["cautions"], "Cautions first")
    if panel:
        out.print(panel)
    text = Text()
    if line["access"]["minutes"]:
        text.append(f"First: {line['access']['what']}, {line['access']['minutes']:g} min\n")
    for number, step in enumerate(line["steps"], 1):
        text.append(f"{number}. {step}\n")
    text.append(f"Expect: {line['expected']}\n")
    for limit in line["limits"]:
        text.append(f"Limit: {limit['text']} [{where_from(limit)}]\n")
    text.append(f"Judge: {line['judging']}\nTrap: {line['trap']}")
    if line["a_pass_does_not_clear_it"]:
        text.append("\nA pass here does not clear it.")
    out.print(Padding(text, (0, 0, 0, 2)))


def show_refused(why: str, *, err: bool) -> None:
    """An answer that was not taken."""
    console(err=err).print(Text(f"Not taken: {why}"))


def show_found(reply: Mapping[str, Any], catalogue: Catalogue, *, err: bool) -> None:
    """How a finding was judged, and what it changed; safety defects first."""
    out = console(err=err)
    _show_defects(out, reply["safety_defects"], catalogue)
    finding = reply["finding"]
    number = finding["part_mark"]
    out.print(Text(f"Number: {number}" if number else f"Judged: {finding['outcome']}", style="bold"))
    for entry in finding["judgements"]:
        limit = entry["limit"]
        by = f" by {limit['id']}, {limit['scope']}" if limit else ""
        out.print(Text(f"  {entry['quantity']}: {entry['verdict']}{by}; {entry['reason']}"))
        for note in entry["notes"]:
            out.print(Text(f"    {note}"))
    for unmet in finding["prerequisites_unmet"]:
        out.print(Text(f"  not met: {unmet}"))
    for said in finding["says"]:
        if said["note"]:
            out.print(Text(f"  {said['note']}"))
    if reply["changed"]:
        out.print(Text("Changed:"))
    for change in reply["changed"][:SHOWN_CHANGES]:
        name = _name(change, catalogue)
        out.print(Text(f"  {name}: bad now {per_cent(change['before'])}, now {per_cent(change['after'])}"))


def show_next(plan: Mapping[str, Any], catalogue: Catalogue, *, err: bool) -> None:
    """The next best check and what its outcomes would change."""
    if not plan["next_best"]:
        return
    best = plan["next_best"][0]
    out = console(err=err)
    out.print(
        Text(f"Next best: {best['title']} ({best['check']}), {best['minutes']:g} min,"
             f" worth {best['worth_per_minute']:.2f} {plan['currency']} a minute")
    )  # fmt: skip
    for outcome in best["would_change"]:
        if outcome["outcome"] == "marginal":
            continue
        parts = ", ".join(_what_then(part, catalogue) for part in outcome["parts"][:3])
        if parts:
            out.print(Text(f"  on {outcome['outcome']}: {parts}"))


def _what_then(part: Mapping[str, Any], catalogue: Catalogue) -> str:
    """One part after an outcome; where a part number would be read, what it says of the season and of renewing."""
    name = catalogue.component_by_slug[part["component"]].name
    if "chance_in_season" not in part:
        return f"{name} {per_cent(part['chance_bad_now'])}"
    renew = "worth renewing before it fails" if part["worth_acting_on"] else "leave it on"
    return f"{name} fails in the coming season {per_cent(part['chance_in_season'])}; {renew}"


def _show_defects(out: Console, defects: Iterable[Mapping[str, Any]], catalogue: Catalogue) -> None:
    """One line a check and outcome, the parts it is about by name."""
    parts: dict[tuple[str, str, str], list[str]] = {}
    for defect in defects:
        named = parts.setdefault((defect["title"], defect["outcome"], defect["note"]), [])
        if defect["component"]:
            named.append(_name(defect, catalogue))
    text = Text()
    for (title, outcome, note), names in parts.items():
        about_parts = f" ({'; '.join(dict.fromkeys(names))})" if names else ""
        text.append(f"{title}{about_parts}: {outcome}. {note}\n")
    text.rstrip()
    if text:
        out.print(Panel(text, title="Safety first", title_align="left", border_style="bold"))


def _name(part: Mapping[str, Any], catalogue: Catalogue) -> str:
    name = catalogue.component_by_slug[part["component"]].name
    return f"{name}, {part['position'].replace('_', ' ')}" if part["position"] else name


def show_verdict(shown: Mapping[str, Any], bill: Mapping[str, Any], catalogue: Catalogue) -> None:
    """Where the inspection stands: safety defects, parts by chance, money, what nobody looked at."""
    out = console()
    out.print()
    out.print(Text("Verdict", style="bold"))
    _show_defects(out, shown["safety_defects"], catalogue)
    parts = [p for p in shown["posteriors"] if p["chance_bad_now_after"]["value"] >= WORTH_SAYING]
    for part in parts[:SHOWN_PARTS]:
        chance = part["chance_bad_now_after"]
        place = f", {part['position'].replace('_', ' ')}" if part["position"] else ""
        seen = "" if part["moved_by"] else " (by age and distance alone)"
        out.print(Text(f"  {part['name']}{place}: bad now {per_cent(chance['value'])}{seen}"))
    unseen = [part["name"] for part in shown["plan"]["safety"]["parts_no_line_looks_at"]]
    if unseen:
        out.print(Text(f"  Safety parts no line of the plan left looks at: {', '.join(unseen)}."))
    _show_bill(out, bill)
    for note in shown["to_read"]:
        out.print(Text(note, style="italic"))


def _show_bill(out: Console, bill: Mapping[str, Any]) -> None:
    money = bill["currency"]
    out.print(Text("Bill", style="bold"))
    likely, season = bill["likely"], bill["season"]
    out.print(Text(f"  certain {bill['certain']} {money}; likely {about(likely['expected'])} {money} on average"))
    out.print(
        Text(
            f"  season risk {about(season['expected'])} {money} on average, in one case of ten above"
            f" {about(season['high'])} {money}"
        )
    )
    for line in bill["sellers_list"]:
        out.print(Text(f"  {line}"))
    for entry in bill["to_have"]:
        out.print(Text(f"  To have for {entry['name']}: {', '.join(entry['items'])} ({entry['mark']})"))
    if bill["price_talk"]:
        out.print(Text("Price talk", style="bold"))
        for point in bill["price_talk"]["points"]:
            out.print(Text(f"  {point}"))


def show_work_order(made: Mapping[str, Any], *, steps: bool) -> None:
    """An order of work: cautions, what not to do too early, the steps, what to buy and what not yet."""
    out = console()
    out.print(Text(made["title"], style="bold"))
    panel = _cautions(made["cautions"], "Before you start")
    if panel:
        out.print(panel)
    out.print(Text(made["first"], style="bold"))
    for entry in made["not_before"]:
        out.print(Text(f"  {entry['what']} before step {entry['until_step']} is done: {entry['why']}."))
    for step in made["steps"]:
        _show_step(out, step, steps=steps)
    out.print()
    out.print(Text("Order now: " + "; ".join(made["order_now"])))
    out.print(Text("Not yet:"))
    for entry in made["order_not_yet"]:
        until = ", ".join(check["check"] for check in entry["until"]) or "it is open"
        chance = "" if entry["chance_bad_now"] is None else f" (bad now {per_cent(entry['chance_bad_now'])})"
        out.print(Text(f"  {entry['name']}{chance}: not before {until}; {entry['why']}"))
    for note in [made["mark"], *made["notes"]]:
        out.print(Text(note, style="dim"))


def _show_step(out: Console, step: Mapping[str, Any], *, steps: bool) -> None:
    only = f" ({step['only_for']} only)" if step["only_for"] else ""
    out.print()
    out.print(Text(f"{step['order']}. {step['title']}{only}", style="bold"))
    out.print(Text("   Cautions first: " + ", ".join(f"{c['id']} {c['title']}" for c in step["cautions"])))
    out.print(Text(f"   {step['why']}"))
    for check in step["checks"]:
        text = Text(f"{check['check']} {check['title']}, {check['minutes']:g} min")
        if steps:
            text.append("\nBefore: " + " ".join(check["before"]) if check["before"] else "")
            text.append("\nDo: " + " ".join(check["steps"]) + "\nExpect: " + check["expected"])
        out.print(Padding(text, (0, 0, 0, 3)))
