"""What somebody types at a check: an outcome, or readings with their unit."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from service.vocabulary import PART_MARKS

OUTCOME_WORDS = {
    **dict.fromkeys(("p", "pass", "good", "ok"), "pass"),
    **dict.fromkeys(("m", "marginal"), "marginal"),
    **dict.fromkeys(("f", "fail", "bad"), "fail"),
    **dict.fromkeys(("i", "inconclusive", "?"), "inconclusive"),
}
OVER_RANGE = {"ol", "over"}
NUMBER = re.compile(r"^[+-]?\d+(?:[.,]\d+)?$")
GLUED = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)([^\d\s.,].*)$")
HELP = (
    "p, m, f or i for pass, marginal, fail, could not be judged; or the reading with its unit: 12.9 V; a set:"
    " 0.4 0.4 0.5 ohm; over the range: OL 20 Mohm; with the probes shorted: 0.6 ohm leads 0.2;"
    " for one place: rear: 1.2 mm; a part number: superseded, current or pattern"
)


class NotUnderstood(ValueError):
    """An answer that is neither an outcome nor a reading; the text says what to type."""


@dataclass(frozen=True)
class Answer:
    """An answer understood: `outcome`, `values` or `part_mark`, one of them; `unit` empty where none was typed."""

    position: str | None = None
    outcome: str | None = None
    values: tuple[dict[str, Any], ...] = field(default=())
    unit: str = ""
    leads: float | None = None
    part_mark: str | None = None


def understand(text: str) -> Answer:
    """Read one answer.

    Raises
    ------
    NotUnderstood
        With what to type instead.
    """
    position, _, rest = text.rpartition(":")
    place = position.strip().lower().replace(" ", "_") or None
    words = [part for word in rest.split() for part in _apart(word)]
    if len(words) == 1 and words[0].lower() in PART_MARKS:
        return Answer(place, part_mark=words[0].lower())
    if len(words) == 1 and words[0].lower() in OUTCOME_WORDS:
        return Answer(place, OUTCOME_WORDS[words[0].lower()])
    leads, words = _leads(words)
    values: list[dict[str, Any]] = []
    over = False
    while words and (NUMBER.match(words[0]) or words[0].lower() in OVER_RANGE):
        word = words.pop(0)
        if word.lower() in OVER_RANGE:
            over = True
            continue
        values.append({"value": _number(word), "over_range": over})
        over = False
    if not values or over:
        raise NotUnderstood(f"Not understood. Type {HELP}.")
    return Answer(place, None, tuple(values), " ".join(words), leads)


def _apart(word: str) -> list[str]:
    """Number and unit written together, like 12.9V."""
    glued = GLUED.match(word)
    return list(glued.groups()) if glued else [word]


def _leads(words: list[str]) -> tuple[float | None, list[str]]:
    lowered = [word.lower() for word in words]
    if "leads" not in lowered:
        return None, words
    at = lowered.index("leads")
    if at + 1 >= len(words) or not NUMBER.match(words[at + 1]):
        raise NotUnderstood("Type the resistance of the leads after the word leads, like 0.6 ohm leads 0.2.")
    return _number(words[at + 1]), words[:at]


def _number(word: str) -> float:
    return float(word.replace(",", "."))
