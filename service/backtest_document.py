"""The result of a backtest as one JSON-able document that can be read on its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from math import isfinite
from typing import Any

import numpy as np

from analytics.backtest_types import Backtest, Judged
from analytics.spells import Outcome, Spells
from service.backtest_parts import Collected, Row
from service.lifetimes import Dataset

NOTES = (
    "Expected counts each part over the time it was really watched; the share at the horizon's end stands in for what"
    " was not watched to the end by weighting what was.",
    "Whether the interval of a chance covers it cannot be checked on real data: a part fails or it does not, and its"
    " true chance is never seen. The table, the slope and the scores are what can be checked.",
    "Lines in doubt are left out. A renewal without a reason counts as a failure by the share of failures among"
    " renewals with one.",
)


def document_of(
    about: Mapping[str, Any],
    records: Mapping[str, Spells],
    known: Dataset,
    everything: Dataset,
    collected: Collected,
    judged: Judged,
    result: Backtest,
    references: Mapping[int, str],
    documents: Mapping[str, Mapping[str, Any]],
) -> dict[str, Any]:
    """The whole document.

    Parameters
    ----------
    about : mapping
        Day, versions, horizon: what was asked of what.
    records : mapping of slug to Spells
        What the fit rested on, made from `known`.
    references : mapping
        What the shop calls a machine, by its id.
    documents : mapping
        Catalogue entries by slug.
    """
    whole: dict[str, Any] = _plain(
        {
            "backtest": dict(about),
            "fitted_on": _evidence(records, known),
            "followed": _counts(collected, judged, result),
            **_measures(result),
            "worst_misses": [_miss(collected.rows[k], everything, references, documents) for k in result.worst],
            "notes": list(NOTES),
        }
    )
    return whole


def _evidence(records: Mapping[str, Spells], known: Dataset) -> dict[str, Any]:
    """What the fit rested on."""
    ends = (Outcome.FAILED, Outcome.FAILED_BETWEEN)
    machines = {int(m) for spells in records.values() for m in np.unique(spells.machine)}
    return {
        "failures": float(sum(s.weight[np.isin(s.outcome, ends)].sum() for s in records.values())),
        "parts": float(sum(s.weight.sum() for s in records.values())),
        "machines": len(machines),
        "shops": len({int(known.machines.shop[m]) for m in machines}),
        "lines": len(known.line_ids),
    }


def _counts(collected: Collected, judged: Judged, result: Backtest) -> dict[str, Any]:
    return {
        "parts": result.parts,
        "failures": result.failures,
        "machines": result.machines,
        "shops": result.shops,
        "machines_entered_later": collected.late_machines,
        "parts_of_machines_entered_later": result.late_parts,
        "parts_not_watched_to_the_horizon": float(judged.weight[~judged.complete].sum()),
        "watched_share_of_horizon": result.watched_share,
        "left_out": dict(sorted(collected.left_out.items())),
    }


def _measures(result: Backtest) -> dict[str, Any]:
    return {
        "intervals": {"level": result.level, "resampled": result.resampled, "clusters": result.clusters},
        "observed_expected": asdict(result.observed_expected),
        "observed_expected_at_horizon": asdict(result.at_horizon),
        "calibration_slope": asdict(result.slope),
        "log_score": asdict(result.log_score),
        "brier": asdict(result.brier),
        "brier_at_horizon": dict(zip(("model", "pooled", "prior"), result.brier_at_horizon, strict=True)),
        "top": asdict(result.top),
        "calibration": {
            "tenths": [asdict(group) for group in result.tenths],
            "bands": [asdict(group) for group in result.bands],
        },
        "components": [asdict(tally) for tally in result.components],
        "coverage_of_the_chances": None,  # not checkable on real data, see the notes
    }


def _miss(
    row: Row, dataset: Dataset, references: Mapping[int, str], documents: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    cell = dataset.names.cells[int(dataset.machines.cell[row.machine])]
    return {
        "machine": references[dataset.machine_ids[row.machine]],
        "make": cell.make,
        "model": cell.model,
        "component": row.slug,
        "name": documents[row.slug]["name"],
        "position": row.position,
        "chance": row.whole[0],
        "chance_over_time_watched": row.watched[0],
        "failed": row.ending.failed,
        "from": date.fromordinal(int(row.landmark)),
        "until": date.fromordinal(round(row.landmark + row.ending.known_days)),
    }


def _plain(value: Any) -> Any:
    """JSON has no nan: what the data do not say is null; days are ISO dates."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and not isfinite(value):
        return None
    return value
