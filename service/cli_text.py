"""Results as text for a terminal: words and one hue, cautions before steps."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.containers import Lines
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from service.errors import DomainError, RowsRefused
from service.fitting import RefitReport
from service.imports.summary import ImportReport
from service.inspections.plan_texts import where_from
from service.inspections.plans import InspectionPlan
from service.inspections.ranking import Probability, RankedPart, Ranking

HUE = "blue"
_GLUE = "\ue000"  # of the private use area: in no text
BAR_WIDTH = 20
SHOWN_PROBLEMS = 20


def console() -> Console:
    """Where results go; a file or a pipe gets lines of a fixed width without colours."""
    out = Console(highlight=False, markup=False)
    return out if out.is_terminal else Console(highlight=False, markup=False, width=110)


def per_cent(chance: float, digits: int = 0) -> str:
    """Whole per cents, as the trade says them, unless `digits` behind the point are wanted."""
    if digits == 0 and 0 < chance < 0.005:
        return "< 1 %"
    if digits == 0 and 0.995 < chance < 1:
        return "> 99 %"
    return f"{100 * chance:.{digits}f} %"


class Unbroken(Text):
    """A text in a table or a frame, none of whose lines begins with "%"; no-break spaces are to rich as any other."""

    def wrap(self, *args: Any, **kwargs: Any) -> Lines:
        held = self.copy()
        held.plain = held.plain.replace(" %", f"{_GLUE}%")
        lines = held.wrap(*args, **kwargs)
        for line in lines:
            line.plain = line.plain.replace(_GLUE, " ")
        return lines


def between(chance: Probability) -> str:
    """An interval in words that need no explanation."""
    return f"{per_cent(chance.low).removesuffix(' %')} to {per_cent(chance.high)}"


def one_in(chance: float) -> str:
    """The same chance as "1 in 5", or as "4 in 10", as pages say it; nothing where it says nothing."""
    if not 0 < chance < 0.95:
        return ""
    tenths = round(chance * 10)
    if chance > 0.35 and tenths != 5:
        return f"{tenths} in 10"
    return f"1 in {round(1 / chance):,}" if chance > 0.0005 else "1 in thousands"


def bar(chance: Probability) -> Text:
    """A bar on one hue: solid up to the low end, lighter to the value, dotted to the high end."""
    ends = [min(max(round(v * BAR_WIDTH), 0), BAR_WIDTH) for v in (chance.low, chance.value, chance.high)]
    text = Text("█" * ends[0], style=HUE)
    text.append("▓" * (ends[1] - ends[0]), style=HUE)
    text.append("░" * (ends[2] - ends[1]), style=HUE)
    return text + Text("·" * (BAR_WIDTH - ends[2]), style="dim")


def show_refusal(error: DomainError) -> None:
    """A refusal, with the rows it is about."""
    err = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
    err.print(Text(f"{error.title}: {error.detail}"))
    problems = error.report.problems if isinstance(error, RowsRefused) else getattr(error, "problems", ())
    for problem in problems[:SHOWN_PROBLEMS]:
        err.print(Text(f"  {problem}"))
    hidden = (error.report.problem_count if isinstance(error, RowsRefused) else len(problems)) - SHOWN_PROBLEMS
    if hidden > 0:
        err.print(f"  and {hidden:,} more; --json lists up to 1,000")
    if isinstance(error, RowsRefused):
        err.print("Nothing was taken in. --keep-good takes the good rows and leaves these out.")


def show_import(report: ImportReport, *, doubts: int = SHOWN_PROBLEMS) -> None:
    """What an import understood, and row by row what it could not."""
    out = console()
    state = "Dry run, nothing changed" if report.dry_run else "Taken in" if report.applied else "Nothing new"
    out.print(Text(f"{state}: {report.file_name} for {report.shop}", style="bold"))
    out.print(
        f"  {counted(report.row_count, 'row')}: {report.lines_new:,} new lines,"
        f" {report.lines_already_there:,} already there, {report.rows_refused:,} not usable;"
        f" {counted(report.machine_count, 'machine')}, {report.new_machine_count:,} new"
    )
    for title, counts in (("actions", report.by_action), ("reasons", report.by_reason), ("sources", report.by_source)):
        if counts:
            out.print(f"  {title}: " + ", ".join(f"{word} {count:,}" for word, count in counts.items()))
    for title, names in (("makes", report.new_makes), ("families", report.new_families), ("models", report.new_models)):
        if names:
            out.print(Text(f"  new {title}: {', '.join(names)}"))
    for problem in report.problems[:SHOWN_PROBLEMS]:
        out.print(Text(f"  not usable: {problem}"))
    if report.lines_in_doubt:
        kinds = ", ".join(f"{kind.replace('_', ' ')} {count:,}" for kind, count in report.doubts_by_kind.items())
        out.print(f"  in doubt, kept as written and out of every fit: {report.lines_in_doubt:,} lines ({kinds})")
        for doubt in report.doubts[:doubts]:
            before = " of an earlier file" if doubt.earlier_import else ""
            kind = doubt.kind.replace("_", " ")
            out.print(Text(f'    line {doubt.line}{before}, {doubt.column} "{doubt.value}": {kind}; {doubt.detail}'))
        hidden = len(report.doubts) - doubts
        if doubts and hidden > 0:
            out.print(f"    and {hidden:,} more; --json lists up to 1,000, --doubts N shows more here")


def counted(count: int, what: str) -> str:
    """A number with its noun: 1 row, 2 rows."""
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def show_fit(reports: Sequence[RefitReport]) -> None:
    """What a refit did."""
    out = console()
    if not reports:
        out.print("No shop keeps records here yet: nothing to fit. Take some in with weakspot import.")
    for report in reports:
        whose = report.shop or "all shops together"
        share = report.lines_in_doubt / report.lines if report.lines else 0.0
        out.print(
            f"{whose}: {report.fitted} components fitted, {report.reused} unchanged, from {report.lines:,} lines"
            f" ({per_cent(share, 1)} in doubt, left out) on {report.machines:,} machines: {report.spells:,} lives"
        )
        out.print(Text(f"  published as {report.release}"))
        for row in report.selection:
            for flag in row["flags"]:
                out.print(Text(f"  {row['shop']}: {flag}"))
        small = [f"{row['shop']} ({row['machines']:,})" for row in report.selection if row.get("too_few_to_tell")]
        if small:
            out.print(Text(f"  no flag, but too few machines to tell by: {', '.join(small)}"))


def show_ranking(ranking: Ranking, *, top: int) -> None:
    """The likeliest to fail ahead."""
    out = console()
    out.print(Text(_machine_line(ranking), style="bold"))
    for note in ranking.notes:
        out.print(Text(note, style="italic"))
    out.print(risk_table(ranking.parts[:top], ranking))
    out.print(Text(_source_line(ranking.version, ranking.data_through), style="dim"))


def _machine_line(ranking: Ranking) -> str:
    machine = ranking.machine
    name = f"{machine.cell.make} {machine.cell.model or '(any model)'}"
    return f"{name}, {machine.now_km:,.0f} km, {machine.now_days / 365.25:.0f} years old"


def _source_line(version: str, data_through: Any) -> str:
    through = f", records through {data_through}" if data_through else ""
    return f"Estimate {version}{through}."


def risk_table(parts: Sequence[RankedPart], ranking: Ranking) -> Table:
    """Parts with their chances, intervals and what stands behind them."""
    months = ranking.horizon_days / (365.25 / 12)
    level = per_cent(parts[0].chance_in_horizon.level if parts else 0.9)
    table = Table(
        title=f"Chance to fail in the next {ranking.horizon_km:,.0f} km or {months:.0f} months, {level} intervals",
        title_justify="left",
        title_style="bold",
        box=None,
        pad_edge=False,
        header_style="dim",
    )
    table.add_column("", justify="right")
    table.add_column("Part", max_width=38)
    table.add_column("")
    table.add_column("Chance", justify="right", no_wrap=True)
    table.add_column("Between", no_wrap=True)
    table.add_column("Rests on")
    for part in parts:
        chance = part.chance_in_horizon
        name = part.name + (f", {part.position.replace('_', ' ')}" if part.position else "")
        if ranking.order_only and not part.known_bad:
            table.add_row(str(part.rank), Text(name), "", "not given", "", Text(_rests_on(part), style="dim"))
            continue
        odds = one_in(chance.value)
        table.add_row(
            str(part.rank),
            Text(name),
            bar(chance),
            f"{per_cent(chance.value)}" + (f" ({odds})" if odds else ""),
            between(chance),
            Text(_rests_on(part), style="dim"),
        )
    return table


def _rests_on(part: RankedPart) -> str:
    if part.known_bad:
        return "found bad, not renewed since"
    evidence = part.evidence
    if evidence.parts == 0:
        return "prior only (invented)"
    return (
        f"{evidence.failures:,.0f} failures, {evidence.parts:,.0f} parts, {evidence.shops} shops;"
        f" prior {per_cent(evidence.prior_weight)}"
    )


def show_plan(made: InspectionPlan, *, steps: bool) -> None:
    """An inspection plan: order, minutes, cautions, what to expect, what was left out."""
    out = console()
    document = made.to_dict()
    used = math.ceil(document["minutes_used"])
    out.print(Text(f"Plan: {used} of {document['minutes']:.0f} minutes, {document['kit']} kit, "
                   f"{document['permission'].replace('_', ' ')}", style="bold"))  # fmt: skip
    out.print(Text(_machine_line(made.ranking)))
    out.print()
    out.print(_plan_table(document["lines"]))
    if steps:
        _show_cautions(out, document["lines"])
        for line in document["lines"]:
            _show_steps(out, line)
    _show_left_out(out, document)
    for note in document["notes"]:
        out.print(Text(note, style="italic"))
    out.print(Text("Times, accuracies and worth are invented priors, not data.", style="dim"))


def _plan_table(lines: Sequence[Mapping[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("", "Min", "Check", "Why", "Cautions"):
        table.add_column(heading, justify="right" if heading in ("", "Min") else "left")
    for line in lines:
        minutes = f"{line['minutes'] + line['access']['minutes']:g}"
        title = Text(f"{line['title']}")
        if line["access"]["minutes"]:
            title.append(f" (first: {line['access']['what']})", style="dim")
        cautions = " ".join(caution["id"] for caution in line["cautions"])
        table.add_row(str(line["order"]), minutes, title, Unbroken(line["why"]), cautions)
    return table


def _show_cautions(out: Console, lines: Sequence[Mapping[str, Any]]) -> None:
    cautions = {caution["id"]: caution for line in lines for caution in line["cautions"]}
    if not cautions:
        return
    text = Text()
    for key in sorted(cautions, key=lambda key: int(key[1:])):
        text.append(f"{key} {cautions[key]['title']}. ", style="bold")
        text.append(cautions[key]["text"] + "\n")
    text.rstrip()
    out.print()
    out.print(Panel(text, title="Before you start", title_align="left", border_style=HUE))


def _show_steps(out: Console, line: Mapping[str, Any]) -> None:
    text = Unbroken()
    text.append(f"{line['order']}. {line['title']}", style="bold")
    if line["cautions"]:
        text.append("\nCautions first: " + ", ".join(f"{c['id']} {c['title']}" for c in line["cautions"]))
    if line["before"]:
        text.append("\nBefore: " + " ".join(line["before"]))
    text.append("\nDo: " + " ".join(line["steps"]))
    text.append("\nExpect: " + line["expected"])
    for limit in line["limits"]:
        text.append(f"\nLimit: {limit['text']} [{where_from(limit)}]")
    if not line["limits"]:
        text.append("\nJudge: " + line["judging"])
    if line["a_pass_does_not_clear_it"]:
        text.append("\nA pass here does not clear it.")
    out.print(Padding(text, (1, 0, 0, 2)))


def _show_left_out(out: Console, document: Mapping[str, Any]) -> None:
    out.print()
    out.print(Text("Left out", style="bold"))
    by_reason: dict[str, list[str]] = {}
    for entry in document["left_out"]:
        by_reason.setdefault(entry["reason"], []).append(f"{entry['title']} ({entry['check']})")
    for reason, titles in by_reason.items():
        out.print(Text(f"  {reason}: {', '.join(titles)}"))
    unseen = document["safety"]["parts_no_line_looks_at"]
    if unseen:
        names = ", ".join(part["name"] for part in unseen)
        out.print(Text(f"  Safety parts no line of this plan looks at: {names}."))
    step = document["one_permission_more"]
    if step:
        checks = ", ".join(check["title"] for check in step["checks"])
        out.print(
            Text(f"  With leave for {step['permission'].replace('_', ' ')}: {checks}"
                 f" (worth {step['added_worth']:,.0f} {document['currency']} more)")
        )  # fmt: skip
    out.print()
