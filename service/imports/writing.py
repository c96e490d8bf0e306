"""Write a plan down, through the write rules of `service.records`."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import records
from service.imports.amounts import read_odometer
from service.imports.machines import MachineRecord
from service.imports.models import Folded, ModelPlan, write_models
from service.imports.plan import Plan, PlannedLine
from service.imports.summary import ImportReport
from service.models import ComponentType, ImportBatch, JobLine
from service.records import AnyShop
from service.vocabulary import ASKING_KINDS, HOURS, KM_PER_MILE

LOOKED_UP_SINGLY = 1_000


def doubtful_lines(plan: Plan) -> set[int]:
    """Rows of the file that no fit may use until somebody has answered."""
    return {doubt.line for doubt in plan.doubts if doubt.line_key is None and doubt.finding.kind not in ASKING_KINDS}


def line_columns(lines: Sequence[PlannedLine], doubtful: set[int]) -> dict[str, list[Any]]:
    """What planned lines say, by column of the table; whose they are and where they came from is added by the caller.

    By column, since a large file has a million of them.
    """
    rows = [line.row for line in lines]
    spans: list[tuple[date | None, date | None]] = [row.when or (None, None) for row in rows]
    return {
        "line_number": [row.line for row in rows],
        "as_written": [row.cells for row in rows],
        "written": [row.written for row in rows],
        "date_earliest": [earliest for earliest, _ in spans],
        "date_latest": [latest for _, latest in spans],
        "odometer_km": [row.odometer_km for row in rows],
        "engine_hours": [row.odometer if row.unit == HOURS else None for row in rows],
        "component_type_id": [line.component.id if line.component else None for line in lines],
        "position": [line.position for line in lines],
        "action": [row.action for row in rows],
        "reason": [row.reason or "unknown" for row in rows],
        "source": [row.source for row in rows],
        "quality": [row.quality for row in rows],
        "labour_hours": [row.labour_hours for row in rows],
        "parts_cost": [row.parts_cost for row in rows],
        "labour_cost": [row.labour_cost for row in rows],
        "currency": [row.currency or None for row in rows],
        "mapped_by": [line.mapped_by for line in lines],
        "mapping_confidence": [line.confidence for line in lines],
        "in_doubt": [row.line in doubtful for row in rows],
        "fingerprint": [row.fingerprint for row in rows],
        "occurrence": [line.occurrence for line in lines],
    }


class Writer:
    """Writes one plan for one shop at one moment."""

    def __init__(self, session: Session, shop: AnyShop, now: datetime) -> None:
        self.session, self.shop, self.now = session, shop, now

    def write(
        self,
        plan: Plan,
        models: ModelPlan,
        *,
        import_id: uuid.UUID,
        digest: bytes,
        report: ImportReport,
        progress: Callable[[int, int], None] | None = None,
        write_lines: Callable[[ImportBatch, Mapping[tuple[int, str], int]], None] | None = None,
    ) -> ImportBatch:
        """Write everything; `write_lines` writes the lines where they stand ready, given the key of every card."""
        session, shop, now = self.session, self.shop, self.now
        self._write_machines(plan, write_models(session, models, now=self.now))
        batch = records.add_import(
            session,
            shop,
            public_id=import_id,
            file_name=report.file_name,
            digest=digest,
            summary=report.to_dict(),
            now=now,
        )
        total = len(plan.lines)
        done = (lambda count: progress(count, total)) if progress else None
        if write_lines is not None:
            write_lines(batch, self._write_cards(plan))
        else:
            records.add_lines(session, self._line_parts(plan, batch), done=done)
        self._write_doubts(plan, batch)
        self._write_readings(plan)
        self._write_stale(plan)
        self._place_readings(plan)
        records.raise_versions(session, sorted({_key(line.machine) for line in plan.lines}))
        return batch

    def write_lines(self, plan: Plan, models: ModelPlan) -> None:
        """Write a plan whose lines came one by one and not in a file."""
        self._write_machines(plan, write_models(self.session, models, now=self.now))
        records.add_lines(self.session, self._line_parts(plan, None))
        new_doubts = any(doubt.line_key is None for doubt in plan.doubts)
        self._write_doubts(plan, None, self._keys_by_content(plan) if new_doubts else {})
        self._write_readings(plan)
        self._write_stale(plan)
        self._place_readings(plan)
        records.raise_versions(self.session, sorted({_key(line.machine) for line in plan.lines}))

    def _place_readings(self, plan: Plan) -> None:
        """Put readings on the total distance; where there is but one clock, the reading is the distance."""
        touched = {line.machine.reference: line.machine for line in plan.lines}
        simple = [r for name, r in touched.items() if name not in plan.several_clocks and not r.has_clock]
        records.add_first_segments(self.session, self.shop, sorted(_key(record) for record in simple))
        several = sorted(_key(touched[name]) for name in plan.several_clocks if name in touched)
        if several:
            self.session.flush()
            # Bound late: only such an import needs the numerical libraries.
            from service.odometers import refresh_odometers

            refresh_odometers(self.session, several)

    def write_changes(self, plan: Plan, machine_ids: list[int]) -> None:
        """Write what a plan without new lines raises, settles and marks."""
        self._write_doubts(plan, None)
        self._write_readings(plan)
        self._write_stale(plan)
        self.session.flush()
        from service.odometers import refresh_odometers

        records.raise_versions(self.session, machine_ids)
        refresh_odometers(self.session, machine_ids)

    def _write_machines(self, plan: Plan, model_keys: dict[Folded, int]) -> None:
        new = [
            {
                "reference": record.reference,
                "model_id": model_keys[record.model_key],
                "model_year": record.model_year,
                "built": record.built,
                "first_registered": record.first_registered,
                "new_on": record.new_on(),
            }
            for record in plan.fleet.new
        ]
        changed = [
            {
                "key": record.key,
                "model_year": record.model_year,
                "built": record.built,
                "first_registered": record.first_registered,
                "new_on": record.new_on(),
            }
            for record in plan.fleet.machines.values()
            if record.key is not None and record.filled_in
        ]
        keys = records.add_machines(self.session, self.shop, new, now=self.now)
        for record in plan.fleet.new:
            record.key = keys[record.reference]
        records.change_machines(self.session, changed, now=self.now)

    def _line_parts(self, plan: Plan, batch: ImportBatch | None) -> Iterator[dict[str, Any]]:
        cards = self._write_cards(plan)
        doubtful = doubtful_lines(plan)
        shared = {
            "shop_id": self.shop.id, "import_id": batch.id if batch else None, "recorded_at": self.now,
            "superseded_by_id": None,
        }  # fmt: skip
        for part in records.chunks(plan.lines, records.INSERTED_AT_ONCE):
            machines = [_key(line.machine) for line in part]
            yield {
                **{name: [value] * len(part) for name, value in shared.items()},
                "machine_id": machines,
                "card_id": [cards[key, line.row.card] for key, line in zip(machines, part, strict=True)],
                **line_columns(part, doubtful),
            }

    def _write_cards(self, plan: Plan) -> dict[tuple[int, str], int]:
        wanted = dict.fromkeys((_key(line.machine), line.row.card) for line in plan.lines)
        return records.add_cards(self.session, self.shop, list(wanted), now=self.now)

    def _write_doubts(self, plan: Plan, batch: ImportBatch | None, line_keys: Mapping[int, int] | None = None) -> None:
        if not (plan.doubts or plan.settled or plan.touched_lines):
            return
        new = sorted({d.line for d in plan.doubts if d.line_key is None})
        if line_keys is None:
            line_keys = self._line_keys(batch, new) if batch else {}
        rows = [
            {
                "shop_id": self.shop.id,
                "import_id": batch.id if batch else None,
                "job_line_id": doubt.line_key if doubt.line_key is not None else line_keys[doubt.line],
                "line_number": doubt.line,
                "kind": doubt.finding.kind,
                "column": doubt.finding.column,
                "value": doubt.finding.value,
                "detail": doubt.finding.detail,
                "raised_at": self.now,
                "settled_at": None,
                "settled_by": None,
            }
            for doubt in plan.doubts
        ]
        records.add_doubts(self.session, rows)
        records.settle_doubts(self.session, plan.settled, by=records.SETTLED_BY_ROWS, now=self.now)
        records.mark_lines(self.session, sorted(plan.touched_lines))

    def _line_keys(self, batch: ImportBatch, line_numbers: list[int]) -> dict[int, int]:
        found: dict[int, int] = {}
        columns = select(JobLine.line_number, JobLine.id).where(JobLine.import_id == batch.id)
        if len(line_numbers) > LOOKED_UP_SINGLY:  # the whole import once, rather than again and again
            return dict(self.session.execute(columns).all())
        for part in records.chunks(line_numbers):
            found.update(self.session.execute(columns.where(JobLine.line_number.in_(part))).all())
        return found

    def _keys_by_content(self, plan: Plan) -> dict[int, int]:
        wanted = {(line.row.fingerprint, line.occurrence): line.row.line for line in plan.lines}
        columns = select(JobLine.fingerprint, JobLine.occurrence, JobLine.id).where(JobLine.shop_id == self.shop.id)
        found: dict[int, int] = {}
        for part in records.chunks(sorted({fingerprint for fingerprint, _ in wanted})):
            for fingerprint, occurrence, key in self.session.execute(columns.where(JobLine.fingerprint.in_(part))):
                if (fingerprint, occurrence) in wanted:
                    found[wanted[fingerprint, occurrence]] = key
        return found

    def _write_readings(self, plan: Plan) -> None:
        rows = []
        for (reference, (day, reading, unit)), in_doubt in plan.new_readings.items():
            reading_km = read_odometer(reading) * (KM_PER_MILE if unit == "mi" else 1.0)
            placed = not in_doubt and reference not in plan.several_clocks
            rows.append(
                {
                    "shop_id": self.shop.id,
                    "machine_id": _key(plan.fleet.machines[reference]),
                    "segment_ordinal": 0,
                    "read_on": day,
                    "reading_as_written": reading,
                    "unit": unit,
                    "reading_km": reading_km,
                    "distance_km": reading_km if placed else None,
                    "in_doubt": in_doubt,
                }
            )
        records.add_odometer_entries(self.session, rows)
        records.mark_entries(self.session, plan.marked_readings)

    def _write_stale(self, plan: Plan) -> None:
        slugs = {line.component.slug for line in plan.lines if line.component}
        for part in records.chunks(sorted(plan.touched_components)):
            slugs.update(self.session.scalars(select(ComponentType.slug).where(ComponentType.id.in_(part))))
        records.mark_stale(self.session, self.shop, slugs, now=self.now)


def _key(record: MachineRecord) -> int:
    assert record.key is not None, "machines are written before what refers to them"
    return record.key
