"""`weakspot renew`, `compare` and `changes`: when to renew on purpose, what is weak, what changed over time."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import clock_options, downtime_options, known_at_option

if TYPE_CHECKING:
    from service.cli_context import Context


@click.command("renew")
@click.argument("component")
@click.option("--shop", required=True, help="Whose estimates.")
@click.option("--make", required=True, help="Make.")
@click.option("--model", required=True, help="Model.")
@click.option("--position", help="Where on the machine, if it matters.")
@click.option("--planned", type=click.FloatRange(min=0.01), required=True, help="Cost of a planned renewal.")
@click.option("--failure", type=click.FloatRange(min=0.01), required=True, help="Cost of a failure.")
@clock_options
@downtime_options
@click.option("--while-apart", type=click.FloatRange(min=0.01), help="Cost where the way in is open anyway.")
@click.option("--age", type=click.FloatRange(0), help="Age of the part that could be renewed while it is apart.")
@click.option("--both-clocks", is_flag=True, help="One rule for machines of different use: whichever comes first.")
@click.option(
    "--use",
    "uses",
    multiple=True,
    type=click.FloatRange(100, 200_000),
    help="Distance a year of a machine, in km; the shop's own machines without it. Repeatable.",
)
@click.option("--at", "alternatives", multiple=True, type=click.FloatRange(min=1), help="Price this age as well.")
@click.option("--level", type=click.FloatRange(0.5, 0.99), default=0.9, show_default=True, help="Of the intervals.")
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def renew_on_purpose(context: Context, component: str, shop: str, json_output: bool, **asked: Any) -> None:
    """Find the cheapest age to renew COMPONENT on purpose, or say why there is none."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.renewal_advice import renewal_advice

    with context.reading(asked["known_at"]) as session:
        found = renewal_advice(
            session, shop_named(session, shop), component, asked, pool_open=context.settings.pool_open
        )
    if json_output:
        as_json(found)
    else:
        _show_renewal(found)


def _show_renewal(found: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.ages import rough, span_of
    from service.cli_text import console, per_cent

    out = console()
    unit = found["clock"]
    span = None
    if found["interval"] is None:
        out.print(f"{found['name']}: {found['reason']}.")
    else:
        span = span_of(found["interval"], found["flat"])
        low, high = found["flat"]
        to = "or later" if high is None else f"to {rough(high, span):,.0f}"
        out.print(
            f"{found['name']}: renew at about {rough(found['interval'], span):,.0f} {unit};"
            f" {rough(low, span):,.0f} {to} costs within 2 % of the best."
        )
        out.print(f"It saves {per_cent(found['saving'])} against running to failure.")
    table = Table("renewed at", "dearer by", "failures a renewal", box=None, pad_edge=False)
    for row in found["alternatives"]:
        age = "run to failure" if row["interval"] is None else f"{row['interval']:,.0f} {unit}"
        table.add_row(age, per_cent(row["excess"], 1), f"{row['failures_per_renewal']:.2f}")
    out.print(table)
    if found["while_apart_from"] is not None:
        out.print(
            f"While it is apart anyway: renew from about {rough(found['while_apart_from'], span):,.0f} {unit} on."
        )
    if found["while_apart_worth"]:
        worth = found["while_apart_worth"]
        out.print(
            f"At the age asked about that saves {worth['value']:.2f} ({worth['low']:.2f} to {worth['high']:.2f})."
        )
    if found["both_clocks"]:
        _show_both(out, found["both_clocks"])
    for text in (*found["warnings"], *found["notes"]):
        out.print(text)


def _show_both(out: Any, both: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.cli_text import per_cent

    if both["reason"]:
        out.print(f"On two clocks: {both['reason']}.")
    else:
        out.print(f"On {both['machines']} machines: {_rule(both['chosen'])}.")
    table = Table("rule", "cost a machine and year", "dearer by", box=None, pad_edge=False)
    for name in ("both", "km_alone", "days_alone", "run_to_failure"):
        rule = both[name]
        table.add_row(_rule(rule), f"{rule['cost_per_year']['value']:.2f}", per_cent(rule["excess"], 1))
    out.print(table)


def _rule(rule: Mapping[str, Any]) -> str:
    from service.ages import rough

    clocks = [f"{rough(rule['km']):,.0f} km"] if rule["km"] is not None else []
    clocks += [f"{rule['days'] / 30.4375:,.0f} months"] if rule["days"] is not None else []
    return " or ".join(clocks) + (", whichever comes first" if len(clocks) == 2 else "") if clocks else "run to failure"


@click.command("compare")
@click.argument("component")
@click.option("--shop", required=True, help="Who asks.")
@click.option("--suspect", "suspected", multiple=True, metavar="MAKE/MODEL",
              help="A model that talk has it is weak here. Repeatable.")  # fmt: skip
@click.option("--make", help="Groups of this make only.")
@click.option("--model", help="Groups of this model only.")
@click.option("--stratum", type=click.IntRange(0, 20), help="Groups of this issue only; 0: before the first change.")
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def compare_parts(
    context: Context, component: str, shop: str, suspected: tuple[str, ...], json_output: bool, **given: Any
) -> None:
    """Compare models, issues, positions, uses and the shop itself for COMPONENT at equal distance and age."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.model_comparisons import model_comparisons
    from service.schemas.ahead import models_of
    from service.shop_habits import groups_of

    pool_open = context.settings.pool_open
    with context.reading(given.pop("known_at")) as session:
        shop_id = shop_named(session, shop)
        models = model_comparisons(session, shop_id, component, pool_open=pool_open, suspected=models_of(suspected))
        asked = {"level": 0.9, **given}
        groups = groups_of(session, shop_id, component, asked=asked, pool_open=pool_open)
    if json_output:
        as_json({"models": models, "groups": groups})
        return
    _show_models(models)
    _show_groups(groups)


def _show_models(found: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.cli_text import console

    out = console()
    out.print(f"{found['name']}, at {found['basis']}; {found['comparisons_made']} comparisons made.")
    table = Table("what", "against", "times", "between", "failures", "finding", box=None, pad_edge=False)
    for row in [*found["models"], *found["within"]]:
        what = " ".join(str(x) for x in (row["model"], row["position"]) if x) or row["kind"]
        if row["stratum"] is not None:
            what += f", stratum {row['stratum']}"
        failures = "" if row["failures"] is None else f"{row['failures']:.0f}"
        between = f"{row['low']:.1f} to {row['high']:.1f}"
        table.add_row(what, row["against"], f"{row['ratio']:.1f}", between, failures, row["finding"])
    out.print(table)


def _show_groups(found: Mapping[str, Any]) -> None:
    from service.cli_text import console, per_cent

    out = console()
    for row in [*([found["shop"]] if found["shop"] else []), *found["by_use"], *found["by_region"],
                *found["by_machine_use"]]:  # fmt: skip
        ratio = row["ratio"]
        shops = f" (shops: {row['shops']})" if "shops" in row else ""
        out.print(
            f"{row['group']}{shops}: {ratio['value']:.1f} times ({ratio['low']:.1f} to {ratio['high']:.1f}),"
            f" {row['failures']:.0f} failures, {row['expected']:.0f} expected: {row['finding']}"
        )
    policy = found["policy"]
    if policy:
        out.print(
            f"{policy['shop']}: {per_cent(policy['scheduled_share'])} of its parts renewed on purpose:"
            f" {policy['finding']}"
        )
    for note in found["notes"]:
        out.print(note)


@click.command("changes")
@click.option("--shop", required=True, help="Who asks.")
@click.option("--component", help="Show every look at this one as well.")
@click.option("--months", type=click.Choice(["6", "12"]), default="12", show_default=True, help="Length of a period.")
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def show_changes(
    context: Context, shop: str, component: str | None, months: str, known_at: datetime | None, json_output: bool
) -> None:
    """List what changed by build date, over the calendar or with a campaign."""
    from service.changes_over_time import changes_over_time, in_words
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.cli_text import console

    with context.reading(known_at) as session:
        found = changes_over_time(
            session,
            shop_named(session, shop),
            component=component,
            months=int(months),
            pool_open=context.settings.pool_open,
        )
    if json_output:
        as_json(found)
        return
    out = console()
    out.print(f"Alerts: {len(found['alerts'])}, of {found['looks_made']:,} looks at {found['records']}.")
    for row in found["alerts"]:
        out.print(in_words(row))
    for row in found["looks"]:
        out.print(f"  {in_words(row)}")
    for note in found["notes"]:
        out.print(note)
    out.print(found["rate_in_words"])
