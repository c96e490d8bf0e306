"""Cells that a spreadsheet would run as a formula, and the mark that keeps them text.

A cell that begins with = + - @, tab, carriage return or line feed, or with the full-width form of one of the signs, is
written with an apostrophe before it; so is a cell that already has apostrophes before such a character, so
that taking one apostrophe off always gives back what was there (list of characters: OWASP, "CSV Injection").
"""

from __future__ import annotations

import re

_RUNS = "[=+\\-@\t\r\n＝＋－＠]"
_FIRST = frozenset("'=+-@\t\r\n＝＋－＠")
_NEEDS_MARK = re.compile(f"'*{_RUNS}")
_HAS_MARK = re.compile(f"'+{_RUNS}")


def put_mark(cell: str) -> str:
    """The cell as it is written to a file."""
    return "'" + cell if cell[:1] in _FIRST and _NEEDS_MARK.match(cell) else cell


def take_mark_off(cell: str) -> str:
    """The cell as it was before `put_mark`."""
    return cell[1:] if _HAS_MARK.match(cell) else cell
