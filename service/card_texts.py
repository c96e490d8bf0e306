"""Raw lines of a card into the records: kept as written, out of every fit until what is open has been answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import records
from service.corrections import shop_row
from service.errors import InvalidInput
from service.imports.card_dates import WrittenDate
from service.imports.card_readings import WrittenReading
from service.imports.card_text import CardReading, Locale, TextDoubt, TextRecord, read_card
from service.imports.dates import Span, read_date
from service.imports.refresh import refresh_machines
from service.imports.rows import ParsedRow, RowChecker
from service.imports.words import CatalogueWords, catalogue_words
from service.margin_readings import margin_readings
from service.models import ComponentType, Doubt, JobLine, Machine, Shop
from service.vocabulary import ACTIONS, JOB_LINE_COLUMNS, KM_PER_MILE

_OWN = frozenset({"component", "position", "action", "reason"})  # what one record of the card is asked about


def take_card(session: Session, shop_id: int, asked: Mapping[str, Any], *, now: datetime) -> dict[str, Any]:
    """Read a card's raw lines (checked by `CardTextAsked`) and write down what they say, doubts and all."""
    shop = shop_row(session, shop_id)
    machine = session.scalar(select(Machine).where(Machine.shop_id == shop.id, Machine.reference == asked["machine"]))
    if machine is None:
        raise InvalidInput(
            "there is no machine of that reference; import a row with its make and model first", pointer="/machine"
        )
    words = catalogue_words(session, shop.id)
    locale = Locale(asked["date_order"], asked["drives_on"])
    known = session.scalars(
        select(ComponentType.slug)
        .join(JobLine, JobLine.component_type_id == ComponentType.id)
        .where(JobLine.machine_id == machine.id, JobLine.superseded_by_id.is_(None), JobLine.in_doubt.is_(False))
    )
    found = read_card(asked["lines"], words, locale=locale, written_on=now.date(), on_record=dict.fromkeys(known, 1))
    header = read_date(asked["date"]) if asked["date"] else None
    if found.when is None and header is None and found.source == "card":
        raise InvalidInput("no date stands in the lines: give the card's own", pointer="/date")
    stored = _Writer(session, shop, machine, words, found, header, now).write(asked["card"], asked["lines"])
    if stored:
        session.flush()
        refresh_machines(session, shop, [machine.id], [], now=now, today=now.date())
    return {"job_lines": [line.public_id for line in stored], "reading": reading_document(found)}


class _Writer:
    """Writes one card of one machine."""

    def __init__(
        self,
        session: Session,
        shop: Shop,
        machine: Machine,
        words: CatalogueWords,
        found: CardReading,
        header: Span | None,
        now: datetime,
    ) -> None:
        self.session, self.shop, self.machine, self.words = session, shop, machine, words
        self.found, self.now = found, now
        self.span = Span(found.when.earliest, found.when.latest) if found.when else header

    def write(self, card: str, raw: Sequence[str]) -> list[JobLine]:
        """One line a record; a card without any is a line that says the machine was seen."""
        keys = records.add_cards(self.session, self.shop, [(self.machine.id, card)], now=self.now)
        card_key = keys[self.machine.id, card]
        stored = []
        for number, (cells, record) in enumerate(self._cells(card, raw), 1):
            row = RowChecker().check(number, [cells.get(name, "") for name in JOB_LINE_COLUMNS])
            if not isinstance(row, ParsedRow):
                raise InvalidInput(f"{row[0].column}: {row[0].reason}; write {row[0].instead}", pointer="/lines")
            taken = select(JobLine.id).where(
                JobLine.shop_id == self.shop.id, JobLine.fingerprint == row.fingerprint, JobLine.occurrence == 0
            )
            if self.session.scalar(taken) is None:
                stored.append(self._line(row, record, card_key))
        return stored

    def _cells(self, card: str, raw: Sequence[str]) -> list[tuple[dict[str, str], TextRecord | None]]:
        shared = {
            "card": card,
            "machine": self.machine.reference,
            "date": _date_cell(self.found.when, self.span),
            "source": self.found.source,
            "notes": "\n".join(raw),
            **_reading_cells(self.found.reading),
        }
        listed: list[tuple[dict[str, str], TextRecord | None]] = []
        if self.found.old_reading is not None:
            old = shared | {"odometer": "", "unit": ""} | _reading_cells(self.found.old_reading)
            listed = [(old | {"action": "seen"}, None), (shared | {"action": "clock_changed"}, None)]
        for record in self.found.records:
            for place in record.swapped or _places(record):
                listed.append((shared | _record_cells(record, place), record))
        return listed or [(shared | {"action": "seen"}, None)]

    def _line(self, row: ParsedRow, record: TextRecord | None, card_key: int) -> JobLine:
        named = record is not None and row.component  # an advisory names a part and yet is no event of it
        component = self.words.components.get(record.component or "") if record and named else None
        earliest, latest = self.span if self.span is not None else (None, None)
        line = JobLine(
            shop_id=self.shop.id,
            machine_id=self.machine.id,
            card_id=card_key,
            line_number=row.line,
            as_written=list(row.cells),
            date_earliest=earliest,
            date_latest=latest,
            odometer_km=row.odometer_km,
            component_type_id=component.id if component else None,
            position=row.position or None,
            action=row.action,
            reason=row.reason or "unknown",
            source=row.source,
            quality=row.quality,
            mapped_by="card text" if component else None,
            mapping_confidence=record.confidence if record and component else None,
            in_doubt=False,
            fingerprint=row.fingerprint,
            occurrence=0,
            recorded_at=self.now,
        )
        self.session.add(line)
        self.session.flush()
        for doubt in self._doubts(record):
            self.session.add(
                Doubt(
                    shop_id=self.shop.id,
                    job_line_id=line.id,
                    line_number=row.line,
                    kind=doubt.kind,
                    column=doubt.column,
                    value=doubt.value,
                    detail=doubt.detail,
                    raised_at=self.now,
                )
            )
        self.session.flush()
        records.mark_lines(self.session, [line.id])
        self.session.refresh(line)
        return line

    def _doubts(self, record: TextRecord | None) -> list[TextDoubt]:
        """What is open about the card as a whole, and about this record of it."""
        of_card = [doubt for doubt in self.found.doubts if doubt.column not in _OWN]
        if record is None:
            return of_card
        own = [doubt for doubt in self.found.doubts if doubt.column in _OWN and doubt.value == record.words]
        if record.swapped:
            detail = "two units changed places; until lives can follow a unit, nothing is concluded from either"
            own.append(TextDoubt("text_unclear", "action", record.words, detail))
        return of_card + own


def _places(record: TextRecord) -> tuple[str, ...]:
    """The place, where it is certain; an empty text where it is one of several."""
    return record.positions if len(record.positions) == 1 else ("",)


def _record_cells(record: TextRecord, place: str) -> dict[str, str]:
    """What a record says, in the words of the job-line file; an advisory is no event of the part."""
    if record.action == "advised":
        return {"action": "seen"}
    # What may have been a renewal breaks a life off; the doubt keeps it from being taken for one.
    action = record.action if record.action in ACTIONS else "renewed"
    reasoned = action in ("renewed", "repaired", "checked_bad")
    return {
        "component": record.component or record.words,
        "position": place,
        "action": action,
        "reason": record.reason if reasoned else "",
        "quality": record.quality,
    }


def _date_cell(when: WrittenDate | None, span: Span | None) -> str:
    """The narrowest form of the job-line file that holds the span."""
    if span is None:
        return ""
    if span.earliest == span.latest:
        return span.earliest.isoformat()
    return f"{span.earliest:%Y-%m}" if f"{span.earliest:%Y-%m}" == f"{span.latest:%Y-%m}" else f"{span.latest:%Y}"


def _reading_cells(reading: WrittenReading | None) -> dict[str, str]:
    """A reading whose unit and size are known, at the middle of its rounding; none otherwise."""
    if reading is None or reading.unit == "unknown" or len(reading.meanings) > 1:
        return {}
    return {"odometer": str((reading.low + reading.high + 1) // 2), "unit": reading.unit}


def reading_document(found: CardReading) -> dict[str, Any]:
    """What the lines were read as, for people to check."""
    return {
        "raw": list(found.raw),
        "date": None
        if found.when is None
        else {
            "as_written": found.when.as_written,
            "earliest": found.when.earliest.isoformat(),
            "latest": found.when.latest.isoformat(),
            "meanings": [[a.isoformat(), b.isoformat()] for a, b in found.when.meanings],
        },
        "odometer": _reading_document(found.reading),
        "old_odometer": _reading_document(found.old_reading),
        "source": found.source,
        "works": found.works,
        "records": [asdict(record) for record in found.records],
        "consumables": list(found.consumables),
        "outside": list(found.outside),
        "measured": [reading.document() for line in found.raw for reading in margin_readings(line)],
        "doubts": [asdict(doubt) for doubt in found.doubts],
    }


def _reading_document(reading: WrittenReading | None) -> dict[str, Any] | None:
    if reading is None:
        return None
    factor = {"km": 1.0, "mi": KM_PER_MILE}.get(reading.unit)
    return {
        "as_written": reading.as_written,
        "low": reading.low,
        "high": reading.high,
        "width": reading.width,
        "unit": reading.unit,
        "low_km": None if factor is None else reading.low * factor,
        "high_km": None if factor is None else reading.high * factor,
    }
