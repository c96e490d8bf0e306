"""What an import would do: everything is worked out here, nothing is written."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from service.imports import known
from service.imports.candidates import Context, decide
from service.imports.dates import Span
from service.imports.doubts import find_contradictions
from service.imports.faults import RowProblem, shorten
from service.imports.histories import Finding, HistoryLine
from service.imports.known import KnownHistory, ReadingKey
from service.imports.machines import Fleet, MachineRecord, look_alikes
from service.imports.missing_parts import NOT_ON_MODEL, missing_words, parts_missing
from service.imports.near_events import find_near_events
from service.imports.reading import LISTED_PROBLEMS, ParsedFile
from service.imports.rows import ParsedRow
from service.imports.words import CatalogueWords, ComponentMatch, ComponentWord, match_position
from service.records import AnyShop

MAX_OCCURRENCES = 32_767  # what the column holds
# Lines on record are ordered by their key, the file's rows behind them by their line.
NEW_ORDER = 1 << 60
_NO_HISTORY = KnownHistory([], {}, {}, [], {})
_READING_COLUMNS = frozenset({"date", "odometer"})


class PlannedLine(NamedTuple):
    """A row that will become a line, with what its words were taken for."""

    row: ParsedRow
    machine: MachineRecord
    occurrence: int
    component: ComponentWord | None
    position: str | None
    mapped_by: str | None
    confidence: float | None


class PlannedDoubt(NamedTuple):
    """A doubt to raise; `line_key` is None for a row of this file."""

    line_key: int | None
    line: int
    finding: Finding


@dataclass
class Plan:
    """Everything an import would write."""

    fleet: Fleet
    lines: list[PlannedLine] = field(default_factory=list)
    already_there: int = 0
    rows_refused: int = 0
    problems: list[RowProblem] = field(default_factory=list)
    problem_count: int = 0
    doubts: list[PlannedDoubt] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    touched_lines: set[int] = field(default_factory=set)
    touched_components: set[int] = field(default_factory=set)
    new_readings: dict[tuple[str, ReadingKey], bool] = field(default_factory=dict)
    marked_readings: dict[int, bool] = field(default_factory=dict)
    # Machines whose clock was changed: their readings are put on the total distance with everything else in view.
    several_clocks: set[str] = field(default_factory=set)

    def add_problem(self, problem: RowProblem) -> None:
        self.problem_count += 1
        self.rows_refused += 1
        if len(self.problems) < LISTED_PROBLEMS:
            self.problems.append(problem)


def make_plan(session: Session, shop: AnyShop, parsed: ParsedFile, words: CatalogueWords, today: date) -> Plan:
    """Work out what taking `parsed` in would add, raise and settle."""
    references = sorted({row.machine for row in parsed.rows})
    # Most lines written down one by one name no family: there is nothing then that the known ones would be asked for.
    families = known.read_families(session) if any(row.family for row in parsed.rows) else {}
    fleet = Fleet(known.read_machines(session, shop, references), families)
    old_keys = [record.key for record in fleet.machines.values() if record.key is not None]
    plan = Plan(fleet, rows_refused=parsed.refused_rows, problem_count=parsed.problem_count)
    plan.problems.extend(parsed.problems)
    asked = {row.fingerprint for row in parsed.rows}
    found = _plan_lines(plan, parsed, known.read_fingerprints(session, shop, old_keys, asked), words)
    understand_from_context(plan.lines, found, words)
    models = {line.machine.model_key for line in plan.lines}
    _raise_missing_parts(plan, known.read_layouts(session, models), found)
    _raise_look_alikes(plan, known.read_references(session, shop) if fleet.new else (), found)
    by_machine: dict[str, list[PlannedLine]] = defaultdict(list)
    for line in plan.lines:
        by_machine[line.machine.reference].append(line)
    touched = [record.key for name in by_machine if (record := fleet.machines[name]).key is not None]
    histories = known.read_histories(session, touched)
    for reference, lines in by_machine.items():
        record = fleet.machines[reference]
        history = histories[record.key] if record.key is not None else _NO_HISTORY
        plan_history(plan, record, history, lines, found, today)
    plan.doubts.sort(key=lambda doubt: (doubt.line_key is not None, doubt.line))
    return plan


def _plan_lines(
    plan: Plan, parsed: ParsedFile, there: set[tuple[bytes, int]], words: CatalogueWords
) -> dict[int, list[Finding]]:
    """Decide which rows become lines; returns what is doubtful in their cells, by line."""
    seen: Counter[bytes] = Counter()
    found: dict[int, list[Finding]] = defaultdict(list)
    for row in parsed.rows:
        placed = plan.fleet.place(row)
        if isinstance(placed, RowProblem):
            plan.add_problem(placed)
            continue
        occurrence = seen[row.fingerprint]
        seen[row.fingerprint] += 1
        if occurrence > MAX_OCCURRENCES:
            plan.add_problem(_too_often(row))
        elif (row.fingerprint, occurrence) in there:
            plan.already_there += 1
        else:
            record, differences = placed
            if differences or row.open:
                found[row.line] += [Finding(NEW_ORDER + row.line, *open_) for open_ in (*differences, *row.open)]
            plan.lines.append(_understand(row, record, occurrence, words, found))
    return found


def _understand(
    row: ParsedRow, record: MachineRecord, occurrence: int, words: CatalogueWords, found: dict[int, list[Finding]]
) -> PlannedLine:
    nothing = PlannedLine(row, record, occurrence, None, None, None, None)
    if not row.component:
        return nothing
    match = words.component(row.component)
    if match.component is None:
        assert match.kind is not None
        finding = Finding(NEW_ORDER + row.line, match.kind, "component", shorten(row.component), match.detail)
        found[row.line].append(finding)
        return nothing
    return _placed(nothing, match, found)


def _placed(line: PlannedLine, match: ComponentMatch, found: dict[int, list[Finding]]) -> PlannedLine:
    row = line.row
    assert match.component is not None
    place = match_position(match.component, row.position)
    if place.kind:
        finding = Finding(NEW_ORDER + row.line, place.kind, "position", shorten(row.position), place.detail)
        found[row.line].append(finding)
    position = place.position if row.position else match.position
    return line._replace(
        component=match.component, position=position, mapped_by=match.mapped_by, confidence=match.confidence
    )


def understand_from_context(lines: list[PlannedLine], found: dict[int, list[Finding]], words: CatalogueWords) -> None:
    """Take ambiguous words for what the rest of their card says they mean, where that is clear."""
    asked = [k for k, line in enumerate(lines) if line.row.component and line.component is None]
    if not asked:
        return
    cards: dict[tuple[str, str], list[str]] = defaultdict(list)
    for line in lines:
        if line.component is not None:
            cards[line.machine.reference, line.row.card].append(line.component.slug)
    for k in asked:
        line = lines[k]
        neighbours = tuple(cards[line.machine.reference, line.row.card])
        match = decide(words, line.row.component, Context(neighbours, line.row.position))
        if match is not None:
            findings = found[line.row.line]
            findings[:] = [finding for finding in findings if finding.kind != "ambiguous_word"]
            lines[k] = _placed(line, match, found)


def _raise_missing_parts(
    plan: Plan, layouts: Mapping[tuple[str, str], Mapping[str, Any]], found: dict[int, list[Finding]]
) -> None:
    """Ask about work on a part that the machine's model does not carry."""
    missing: dict[str, frozenset[str]] = {}
    for line in plan.lines:
        if line.component is None:
            continue
        record = line.machine
        if record.reference not in missing:
            missing[record.reference] = parts_missing(record, layouts.get(record.model_key, {}))
        if line.component.slug in missing[record.reference]:
            detail = missing_words(record.model, line.component.slug)
            order = NEW_ORDER + line.row.line
            finding = Finding(order, NOT_ON_MODEL, "component", shorten(line.row.component), detail)
            found[line.row.line].append(finding)


def _raise_look_alikes(plan: Plan, references: Iterable[str], found: dict[int, list[Finding]]) -> None:
    alike = look_alikes(plan.fleet.new, references)
    for line in plan.lines:
        other = alike.pop(line.machine.reference, None) if alike else None
        if other is not None:
            detail = (
                f'reads almost like the machine "{other}"; one reference for both, or two different ones, settles it'
            )
            order = NEW_ORDER + line.row.line
            finding = Finding(order, "duplicate_reference", "machine", line.machine.reference, detail)
            found[line.row.line].append(finding)


def plan_history(
    plan: Plan,
    record: MachineRecord,
    history: KnownHistory,
    lines: list[PlannedLine],
    found: dict[int, list[Finding]],
    today: date,
) -> None:
    """Look for contradictions in the whole history of one machine and plan what to raise and settle."""
    whole = history.lines + [_history_line(line) for line in lines]
    if any(line.action == "clock_changed" for line in whole):
        plan.several_clocks.add(record.reference)
    findings = find_contradictions(whole, record.start(), today) + find_near_events(whole)
    dismissed = {(d.line_key, d.kind, d.column) for d in history.doubts if not d.is_open and not d.settled_by_rows}
    standing = [f for f in findings if (f.order, f.kind, f.column) not in dismissed]
    open_now = {(d.line_key, d.kind, d.column): d for d in history.doubts if d.is_open}
    _plan_readings(plan, record, history, whole, {f.order for f in standing if f.column in _READING_COLUMNS})
    for line in lines:
        plan.doubts += [PlannedDoubt(None, line.row.line, finding) for finding in found.get(line.row.line, ())]
    for finding in standing:
        if finding.order > NEW_ORDER:
            plan.doubts.append(PlannedDoubt(None, finding.order - NEW_ORDER, finding))
        elif open_now.pop((finding.order, finding.kind, finding.column), None) is None:
            key = history.keys[finding.order]
            plan.doubts.append(PlannedDoubt(key, history.line_numbers[finding.order], finding))
            _touch(plan, history, finding.order)
    for doubt in open_now.values():
        plan.settled.append(doubt.key)
        _touch(plan, history, doubt.line_key)


def _touch(plan: Plan, history: KnownHistory, origin: int) -> None:
    if origin in history.keys:
        plan.touched_lines.add(history.keys[origin])
    component = history.components.get(origin)
    if component is not None:
        plan.touched_components.add(component)


def _plan_readings(
    plan: Plan, record: MachineRecord, history: KnownHistory, whole: list[HistoryLine], doubtful: set[int]
) -> None:
    """One reading a day, number and unit; in doubt as soon as one of its lines is."""
    readings: dict[ReadingKey, bool] = {}
    for line in whole:
        if line.odometer_km is not None:
            day = None if line.earliest is None or line.latest is None else Span(line.earliest, line.latest).middle
            key = day, line.reading, line.unit
            readings[key] = readings.get(key, False) or line.order in doubtful
    for key, in_doubt in readings.items():
        there = history.readings.get(key)
        if there is None:
            plan.new_readings[record.reference, key] = in_doubt
        elif there[1] != in_doubt:
            plan.marked_readings[there[0]] = in_doubt


def _history_line(line: PlannedLine) -> HistoryLine:
    row = line.row
    earliest, latest = row.when if row.when is not None else (None, None)
    return HistoryLine(
        NEW_ORDER + row.line,
        row.card,
        earliest,
        latest,
        row.odometer_km,
        row.cells[9].strip(),
        row.unit,
        row.action,
        row.source,
        line.component.id if line.component else None,
        line.position,
    )


def _too_often(row: ParsedRow) -> RowProblem:
    reason = f"exactly this row stands more than {MAX_OCCURRENCES:,} times in the file"
    return RowProblem(row.line, "card", row.card, reason, "each job once")
