"""The closed lists of words the records use; the job-line file format names the same ones."""

from __future__ import annotations

ACTIONS = (
    "renewed",
    "repaired",
    "checked_good",
    "checked_bad",
    "original",
    "seen",
    "clock_changed",
    "gone",
)
# Actions about the machine as a whole: they name no component.
MACHINE_ACTIONS = frozenset({"seen", "clock_changed", "gone"})
REASONS = (
    "failed",
    "found_failed",
    "worn_to_limit",
    "scheduled",
    "while_apart",
    "damage",
    "secondary",
    "upgrade",
    "campaign",
    "misdiagnosis",
    "owner_wish",
    "unknown",
)
# What one line has to do with another: written down twice, the same fault again, caused by it, or unit moved;
# two_events: near in time and distance and yet two; withdrawn: it stands for nothing (no second line).
LINK_KINDS = ("duplicate", "comeback", "two_events", "secondary", "swap", "withdrawn")
LINKS_THAT_REMOVE = ("duplicate", "withdrawn")
# Why the same part came back within days.
COMEBACK_CAUSES = ("faulty_part", "wrong_diagnosis", "fitting")
# Answers to a doubt that leave the line as it is: the same question is not asked again.
DISMISSING_CHOICES = ("as_written", "same_job", "two_jobs", "two_events", "swapped", *COMEBACK_CAUSES)
# Doubts that only ask: until someone answers, the rule for two entries of one event holds and the line stays in.
ASKING_KINDS = ("duplicate_card", "comeback")
# How a check came out; inconclusive says nothing about the part.
OUTCOMES = ("pass", "marginal", "fail", "inconclusive")
# Which part the number on it names: one that a later number took the place of, the maker's in force, another maker's.
PART_MARKS = ("superseded", "current", "pattern")
SOURCES = ("card", "papers", "told")
QUALITIES = ("original", "pattern", "used", "unknown")
# A cell of the pool as published, or taken away because a shop in it no longer shares.
POOL_CELL_STANDINGS = ("published", "withdrawn")
UNITS = ("km", "mi")
HOURS = "h"  # engine hours: a scale of its own, never a distance
TAX_WORDS = ("with", "without")  # whether a shop's costs hold tax
# Where an import is; only the last three are ends.
IMPORT_STATES = ("queued", "running", "done", "refused", "failed")
# A line has the date of its card; what happened may have dates of its own.
EVENT_DATES = ("failed", "found", "in", "done")
# What people may do in a shop; each of the first three may do what those before it may.
ROLES = ("reader", "technician", "owner", "pool_steward")
# What most machines of a shop are used for.
MACHINE_USES = ("private", "touring", "rental", "school", "courier", "mixed")
# What a token may do. Read, write and administer include one another in this order; pool is apart.
SCOPES = ("read", "write", "admin", "pool")
KM_PER_MILE = 1.609344  # international mile, exact by definition (1959 agreement)
JOB_LINE_COLUMNS = (
    "card",
    "date",
    "machine",
    "make",
    "model",
    "family",
    "model_year",
    "built",
    "first_registered",
    "odometer",
    "unit",
    "component",
    "position",
    "action",
    "reason",
    "source",
    "quality",
    "labour_hours",
    "parts_cost",
    "labour_cost",
    "currency",
    "notes",
)


def one_of(column: str, words: tuple[str, ...]) -> str:
    """SQL text that holds a column to a closed list."""
    return f"{column} IN ({', '.join(repr(word) for word in words)})"
