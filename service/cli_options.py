"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

PAPER = click.Path(dir_okay=False, writable=True, path_type=Path)


def machine_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that describe a machine, or name one on record."""
    options = [
        click.option("--machine", help="Reference of a machine on record, instead of describing one."),
        click.option("--make", help="Make."),
        click.option("--model", help="Model."),
        click.option("--family", help="Engine family, if the model may be new here."),
        click.option("--model-year", type=int, help="Year the maker sold it as."),
        click.option("--built", help="YYYY-MM, or YYYY."),
        click.option("--first-registered", help="YYYY-MM-DD."),
        click.option("--odometer", type=float, help="Reading."),
        click.option(
            "--unit", type=click.Choice(["km", "mi"]), default="km", show_default=True, help="Of the odometer."
        ),
        click.option("--usage", type=float, help="Distance a year from now on; the machine's own mean if left out."),
        click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), help="Day of the question; today if left out."),
        click.option(
            "--known",
            multiple=True,
            metavar="COMPONENT:ACTION[:DATE[:ODOMETER]]",
            help="What is known of a part, such as stator:renewed:2024-05-01:30100 or battery:original. Repeatable.",
        ),
        click.option("--shop", help="Whose records answer; needed where several shops do not share a pool."),
        click.option("--json", "json_output", is_flag=True, help="Print the result as JSON."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def known_at_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option that asks for an answer as of a past day."""
    told = "Answer from what was on record, and fitted, at the end of this day."
    return click.option("--known-at", type=click.DateTime(["%Y-%m-%d"]), help=told)(command)


def visit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say what this person has: minutes, tools, leave."""
    options = [
        click.option(
            "--minutes", type=click.FloatRange(1, 1440), default=30.0, show_default=True, help="Minutes there are."
        ),
        click.option(
            "--kit",
            type=click.Choice(["pocket", "home", "shop", "bench"]),
            default="pocket",
            show_default=True,
            help="Tools at hand.",
        ),
        click.option(
            "--permission",
            type=click.Choice(["look-only", "seat-off", "may-strip", "may-ride"]),
            default="look-only",
            show_default=True,
            help="What the owner lets you do.",
        ),
        click.option(
            "--engine",
            type=click.Choice(["cold", "warm"]),
            default="cold",
            show_default=True,
            help="As you find it: some checks need it cold.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def evidence_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say what was seen on the machine and what is told of it."""
    options = [
        click.option(
            "--symptom", "symptoms", multiple=True, metavar="ID", help="Seen on the machine, like S07. Repeatable."
        ),
        click.option("--fact", "facts", multiple=True, metavar="ID[:MONTHS]", help="Like H03, or H04c:14. Repeatable."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def clock_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say on which clock an interval is wanted, and how the two go together."""
    options = [
        click.option(
            "--clock",
            type=click.Choice(["km", "days"]),
            default="km",
            show_default=True,
            help="Interval in distance or in days.",
        ),
        click.option(
            "--km-per-year",
            type=click.FloatRange(100, 200_000),
            default=5000.0,
            show_default=True,
            help="Distance a year that ties both clocks.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def downtime_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say what a machine off the road costs."""
    days = click.FloatRange(0, 365)
    told = {
        "--planned-downtime-days": (days, "Days off the road for a planned renewal."),
        "--failure-downtime-days": (days, "Days off the road after a failure."),
        "--downtime-per-day": (click.FloatRange(0), "What a day off the road costs."),
    }
    for name, (type_, words) in reversed(told.items()):
        command = click.option(name, type=type_, default=0.0, show_default=True, help=words)(command)
    return command
