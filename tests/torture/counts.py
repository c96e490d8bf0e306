"""How much: a little in every run of the tests, all of it under `make torture`."""

from __future__ import annotations

import sys

FULL = "--torture" in sys.argv


def times(full: int, short: int) -> int:
    """A count: `full` under `make torture`, else `short`."""
    return full if FULL else short
