"""Why a day cannot be looked back to: sentences that a failed job keeps as plain text and pages say in full."""

from __future__ import annotations

from datetime import date

from service.errors import InvalidInput
from service.said import Day, Said, say


def nothing_before(as_of: date) -> Said:
    """No line is of the day or an earlier one."""
    return say("nothing is known of any day up to %(day)s; choose a later day", day=Day(as_of))


def nothing_after(last: date, as_of: date) -> Said:
    """No line is of a later day."""
    return say(
        "records end on %(last)s: nothing follows %(day)s; choose an earlier day", last=Day(last), day=Day(as_of)
    )


def refuse_one_sided(known_through: date | None, records_through: date | None, as_of: date) -> None:
    """Refuse a day with nothing known by then, or nothing that followed.

    Raises
    ------
    InvalidInput
        Which of the two it is.
    """
    if known_through is None or records_through is None:
        raise InvalidInput(nothing_before(as_of), pointer="/as_of")
    if records_through <= as_of:
        raise InvalidInput(nothing_after(records_through, as_of), pointer="/as_of")
