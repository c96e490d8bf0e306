"""Turns of phrase on job cards: what was done, why, and to which place. Common practice, no source."""

from __future__ import annotations

import re
from collections.abc import Mapping


def _any(*words: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w/])(?:{'|'.join(words)})(?![\w/])", re.IGNORECASE)


def _letter(letter: str) -> re.Pattern[str]:
    """A letter that stands alone: not the one of R+R, F&R or N/S."""
    return re.compile(rf"(?<![^\s,;]){letter}(?![^\s,;])", re.IGNORECASE)


# The first that fits a part of the line says what was done; several of one group leave it open.
REMOVE_REFIT = re.compile(r"(?<!\w)r ?(?:\+|&|and) ?r(?!\w)", re.IGNORECASE)
ACTIONS: Mapping[str, re.Pattern[str]] = {
    "checked_good": _any("c/o", "checked o\\.?k\\.?", "checks? out", "tested o\\.?k\\.?", "checked"),
    "repaired": _any("cleaned", "adjusted", "rewound", "resealed", "repaired", "re-?torqued", "tightened"),
    "renewed": _any(
        "fitted", "renewed", "replaced", "chg'?d", "changed", "new", "done", "bled", "supplied", "due", "bleed"
    ),
}
ADVISORY = _any("will need", "needs?", "soon", "advise[ds]?", "monitor", "getting low")
FAULT = _any(
    *("not charging", "won'?t start", "no spark", "failed", "dead", "burnt(?: out)?", "shorted", "to earth", "seized"),
    *("leaking", "snapped", "no start", "stopped"),
)
FOUND = _any("found", "at (?:mot|service|inspection)(?: prep)?", "noticed")
STILL = _any("still wouldn'?t", "still won'?t", "no better", "made no difference", "fault remained")
NO_FAULT = _any("no fault found", "nff")
RUNS_OK = _any("runs o\\.?k\\.?", "running o\\.?k\\.?", "all o\\.?k\\.?", "road ?tested")
OTHER_CARD = _any("as above", "other bike", "see card", "ditto")
SERVICE = _any("svc", "service", "serviced")
CLOCK_CHANGE = re.compile(r"\b(?:clocks?|speedo|dash|instruments) (?:swapped|changed|replaced)\b", re.IGNORECASE)
SWAP = re.compile(r"\bswap(?:ped)? *#?(\w+) *(?:<-?>|<=>|with|and|/) *#?(\w+)", re.IGNORECASE)
MOVED = _any("fault moved", "fault followed")
COUNT = re.compile(r"(?<!\w)x ?(\d)\b|\bboth\b|\bpair\b", re.IGNORECASE)
REASONS: Mapping[str, re.Pattern[str]] = {
    "campaign": _any("recall", "campaign"),
    "damage": _any("dropped", "crash(?:ed)?", "accident", "kerbed", "bent"),
    "upgrade": _any("uprated", "upgrade[ds]?", "conversion"),
    "scheduled": _any("due", "scheduled", "at interval"),
    "worn_to_limit": _any("worn(?: out)?", "below limit", "on the limit"),
    "while_apart": _any("while (?:apart|in there|open)", "as apart"),
    "owner_wish": _any("customer request", "cust(?:omer)? wish"),
}
QUALITIES: Mapping[str, re.Pattern[str]] = {
    "used": _any("s/h", "second.?hand", "used", "breakers?"),
    "pattern": _any("pattern", "aftermarket", "uprated", "non.?oe"),
    "original": _any("oe", "oem", "genuine", "original"),
}
SOURCES: Mapping[str, re.Pattern[str]] = {
    "papers": _any("per receipts?", "receipts?", "invoices?", "stamp(?:ed)?", "service book"),
    "told": _any("prev(?:ious)? owner", "owner says?", "seller says?", "told"),
}
CUSTOMER_SUPPLIED = _any("cust(?:omer)?(?:'s)? supplied", "own parts?", "supplied by cust(?:omer)?")
# Parts that go with a job and are no component of their own.
CONSUMABLES = _any("gskt", "gaskets?", "o-?rings?", "washers?", "oil", "grease")
NOT_IN_CATALOGUE = _any("lever", "mirror", "footpeg", "peg", "bar end", "screen")
# Words on a card for words of the catalogue.
SPELT_OUT: tuple[tuple[re.Pattern[str], str], ...] = (
    (_any("w/brgs?"), "wheel bearing"),
    (_any("wheel brgs?"), "wheel bearing"),
    (_any("to earth"), ","),
    (_any("rec"), "rectifier"),
    (_any("brgs?"), "bearings"),
    (_any("spkts?"), "sprockets"),
    (_any("valves checked"), "valve clearances checked"),
    (_any("valves adjusted"), "valve clearances adjusted"),
    (_any("pads, bled"), "pads, bleed brakes"),
)
FRONT_AND_REAR = re.compile(r"(?<!\w)f ?(?:&|\+|and|/) ?r(?!\w)|front and rear", re.IGNORECASE)
PLACES: tuple[tuple[re.Pattern[str], tuple[str, ...]], ...] = (
    (_any("front"), ("front",)),
    (_any("rear"), ("rear",)),
    (_any("left", "lh", "l/h", "lhs"), ("left",)),
    (_any("right", "rh", "r/h", "rhs"), ("right",)),
    (_any("upper", "top"), ("upper",)),
    (_any("lower", "bottom"), ("lower",)),
    (_letter("f"), ("front",)),
    (_letter("l"), ("left",)),
    (_letter("r"), ("rear", "right")),  # either, where a part has both
)
NEAR_SIDE = re.compile(r"(?<!\w)n/?s(?!\w)", re.IGNORECASE)
OFF_SIDE = re.compile(r"(?<!\w)o/?s(?!\w)", re.IGNORECASE)
NUMBER = re.compile(r"(?<!\w)(?:#|no\.? ?|cyl\.? ?)(\d)\b", re.IGNORECASE)
BREAKS = re.compile(r"\s+\+\s+|[,;:]\s+|\.\s+|\s+-\s+|\s+/\s+")
