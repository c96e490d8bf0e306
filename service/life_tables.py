"""The figures behind the pictures as CSV, in km and days, so that others can draw them anew."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.errors import NotFound


def life_table(document: Mapping[str, Any], name: str) -> str:
    """A table of a document of `service.life_documents`: survival, failures or repeats.

    Raises
    ------
    NotFound
        The records hold nothing of the kind.
    """
    age = "age_km" if document["clock"] == "km" else "age_days"
    if name == "survival":
        rows = _both(document, "curve", ("age", "value", "low", "high", "at_risk"))
        return _csv((*_WHO, age, "share_still_good", "low", "high", "parts_at_risk"), rows)
    if name == "failures":
        rows = _both(document, "hazards", ("from", "to", "value", "low", "high", "failures", "exposure"))
        unit = "per_1000_km" if document["clock"] == "km" else "per_year"
        return _csv((*_WHO, f"from_{age}", f"to_{age}", f"failures_a_part_{unit}", "low", "high", "failures",
                     "exposure_" + ("km" if document["clock"] == "km" else "days")), rows)  # fmt: skip
    if name == "repeats" and document["repeats"]:
        repeats = document["repeats"]
        columns = ("age", "value", "low", "high", "watched")
        rows = (["own records", repeats["level"], *(row[c] for c in columns)] for row in repeats["curve"])
        return _csv((*_WHO, f"machine_{age}", "failures_a_machine", "low", "high", "machines_watched"), rows)
    raise NotFound("there is no such table")


_WHO = ("records", "level")
_NAMES = {"estimated": "estimate", "own": "own records"}


def _both(document: Mapping[str, Any], part: str, columns: Sequence[str]) -> Iterable[list[Any]]:
    for who, name in _NAMES.items():
        if document[who]:
            level = document[who]["level"]
            yield from ([name, level, *(row.get(c) for c in columns)] for row in document[who][part])


def calibration_table(groups: Sequence[Mapping[str, Any]]) -> str:
    """The tenths of a backtest."""
    header = ("tenth", "from_chance", "to_chance", "mean_chance", "parts", "failed", "share_failed", "low", "high",
              "share_expected")  # fmt: skip
    rows = (
        [
            k, g["from_chance"], g["to_chance"], g["mean_chance"], g["parts"], g["failures"], g["observed"]["value"],
            g["observed"]["low"], g["observed"]["high"], g["expected"],
        ]
        for k, g in enumerate(groups, 1)
    )  # fmt: skip
    return _csv(header, rows)


def _csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()
