"""The answers that a doubt takes, and what each of them does."""

from __future__ import annotations

from collections.abc import Mapping

from service.vocabulary import COMEBACK_CAUSES

# What each answer does, in plain words; the order is the one they are offered in.
CHOICES: Mapping[str, str] = {
    "part": "the part that was meant: component, and position where it has one",
    "position": "the position that was meant; empty if nobody knows",
    "reading": "the right reading: value and unit",
    "other_unit": "the number is right, the unit is the other one",
    "no_reading": "nobody read the clock: no reading",
    "date": "the right date as value",
    "action": "what was done, as value: renewed or repaired",
    "swapped": "two units changed places: each keeps its age",
    "reason": "why, as value: one of the reasons of the job-line file",
    "same_job": "one job written down twice: this line is taken out",
    "two_jobs": "two jobs indeed",
    "faulty_part": "one event: the new part was faulty",
    "wrong_diagnosis": "one event: the first diagnosis was wrong",
    "fitting": "one event: it was fitted badly",
    "two_events": "two failures that have nothing to do with each other",
    "as_written": "it is right as it is written",
    "withdraw": "the line stands for nothing: it is taken out",
}
_BY_COLUMN = {
    "component": ("part", "withdraw"),
    "position": ("position", "withdraw"),
    "odometer": ("reading", "other_unit", "no_reading", "as_written", "withdraw"),
    "unit": ("reading", "no_reading", "withdraw"),
    "date": ("date", "as_written", "withdraw"),
    "action": ("action", "swapped", "as_written", "withdraw"),
    "reason": ("reason", "as_written", "withdraw"),
}
_BY_KIND = {
    "not_on_model": ("as_written", "part", "withdraw"),
    "duplicate_card": ("same_job", "two_jobs"),
    "comeback": (*COMEBACK_CAUSES, "two_events", "same_job"),
}


def choices_of(kind: str, column: str) -> tuple[str, ...]:
    """The answers a doubt takes."""
    return _BY_KIND.get(kind) or _BY_COLUMN.get(column, ("as_written", "withdraw"))
