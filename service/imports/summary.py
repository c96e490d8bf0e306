"""What an import understood, in numbers and names: the same for a dry run, a refusal and an import that was done."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from service.imports.faults import RowProblem
from service.imports.options import FileReading
from service.imports.rows import ParsedRow

LISTED_NAMES = 200
LISTED_DOUBTS = 1_000


@dataclass(frozen=True)
class DoubtLine:
    """One doubt as the report shows it; `line` is the line of the file the row came from."""

    line: int
    kind: str
    column: str
    value: str
    detail: str
    earlier_import: bool


@dataclass(frozen=True)
class ImportReport:
    """What was, or would be, taken in. Lists are cut at a fixed length; the counts beside them are not."""

    import_id: str | None
    shop: str
    file_name: str
    dry_run: bool
    applied: bool
    row_count: int
    lines_new: int
    lines_already_there: int
    rows_refused: int
    problem_count: int
    problems: tuple[RowProblem, ...]
    by_action: dict[str, int]
    by_reason: dict[str, int]
    by_source: dict[str, int]
    by_unit: dict[str, int]
    new_makes: tuple[str, ...]
    new_families: tuple[str, ...]
    new_models: tuple[str, ...]
    new_machine_count: int
    new_machines: tuple[str, ...]
    machine_count: int
    lines_in_doubt: int
    doubts_by_kind: dict[str, int]
    doubts: tuple[DoubtLine, ...]
    doubts_settled: int
    costs_without_currency: int
    first_date: str | None
    last_date: str | None
    reading: FileReading | None = None

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        return asdict(self)


@dataclass(frozen=True)
class RowCounts:
    """Tallies over the usable rows of a file."""

    by_action: dict[str, int]
    by_reason: dict[str, int]
    by_source: dict[str, int]
    by_unit: dict[str, int]
    costs_without_currency: int
    first_date: str | None
    last_date: str | None


def count_rows(rows: Iterable[ParsedRow]) -> RowCounts:
    """Tally the usable rows; a renewal without a reason counts as reason "unknown"."""
    combined: Counter[tuple[str, str, str, str]] = Counter()
    bare_costs = 0
    first = last = None
    for row in rows:
        combined[row.action, row.reason or ("unknown" if row.action == "renewed" else ""), row.source, row.unit] += 1
        if not row.currency and (row.parts_cost or row.labour_cost):
            bare_costs += 1
        if row.when is not None:
            first = row.when.earliest if first is None or row.when.earliest < first else first
            last = row.when.latest if last is None or row.when.latest > last else last
    return RowCounts(
        by_action=_tally(combined, 0),
        by_reason=_tally(combined, 1),
        by_source=_tally(combined, 2),
        by_unit=_tally(combined, 3),
        costs_without_currency=bare_costs,
        first_date=first.isoformat() if first else None,
        last_date=last.isoformat() if last else None,
    )


def _tally(combined: Counter[tuple[str, str, str, str]], place: int) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for words, count in combined.items():
        if words[place]:
            counts[words[place]] += count
    return dict(counts.most_common())
