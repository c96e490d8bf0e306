"""Raw lines of a job card, read for review: candidate records, each with what is open about it. Nothing is guessed.

What comes out is a proposal beside the raw text: dates are spans, readings are ranges with their unit or "unknown",
an ambiguous word carries its candidates, a place nobody named is one of several, a reason nobody wrote is unknown.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from service.imports import card_phrases as said
from service.imports.candidates import Candidate, Context, candidates, decide
from service.imports.card_dates import WrittenDate, find_date
from service.imports.card_parts import find_parts, places_in
from service.imports.card_readings import WrittenReading, find_readings, old_clock, without_readings
from service.imports.words import CatalogueWords

DIFFERENT_CARD = "the line points at another card or machine; the card it means settles it"


@dataclass(frozen=True)
class Locale:
    """How a shop writes: order of day and month, and the side its country drives on; None where it has not said."""

    date_order: str | None = None
    drives_on: str | None = None


@dataclass(frozen=True)
class TextDoubt:
    """Something a line leaves open, and what would settle it."""

    kind: str
    column: str
    value: str
    detail: str


@dataclass(frozen=True)
class TextRecord:
    """One candidate record. `component` is None where the word is unknown or ambiguous: see `candidates`.

    `positions` are the places it can be at: one is certain, several mean "one of these" unless `count` says how
    many of them. `implied` marks an action that the line does not name. `fault_found` is what the line says of the
    old part; None where it says nothing.
    """

    words: str
    component: str | None
    candidates: tuple[Candidate, ...] = ()
    confidence: float | None = None
    positions: tuple[str, ...] = ()
    count: int = 1
    action: str | None = "renewed"
    implied: bool = False
    reason: str = "unknown"
    quality: str = "unknown"
    fault_found: bool | None = None
    customer_supplied: bool = False
    swapped: tuple[str, str] | None = None


@dataclass(frozen=True)
class CardReading:
    """What one card's raw lines were read as."""

    raw: tuple[str, ...]
    when: WrittenDate | None = None
    reading: WrittenReading | None = None
    old_reading: WrittenReading | None = None
    source: str = "card"
    works: bool = False
    records: tuple[TextRecord, ...] = ()
    consumables: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    doubts: tuple[TextDoubt, ...] = field(default=())


def read_card(
    lines: Sequence[str],
    words: CatalogueWords,
    *,
    locale: Locale,
    written_on: date,
    on_record: Mapping[str, int] | None = None,
) -> CardReading:
    """Read the lines of one card of one machine.

    `written_on` is the day the card was handed in; `on_record` the parts this machine's earlier lines name.
    """
    desk = _Reader(words, locale, frozenset(on_record or ()))
    found = CardReading(tuple(lines))
    for line in lines:
        found = desk.read(found, line, written_on)
    records = _merged(found.records)
    return replace(found, records=records, doubts=(*found.doubts, *_record_doubts(records)))


@dataclass(frozen=True)
class _Reader:
    words: CatalogueWords
    locale: Locale
    on_record: frozenset[str]

    def read(self, found: CardReading, line: str, written_on: date) -> CardReading:
        when = find_date(line, order=self.locale.date_order, written_on=written_on)
        text = line.replace(when.as_written, " ", 1) if when else line
        readings = find_readings(text)
        reading = readings[0] if readings else None
        old = old_clock(text) if said.CLOCK_CHANGE.search(text) else None
        doubts = [*_date_doubts(when), *_reading_doubts(reading), *_reading_doubts(old)]
        if said.OTHER_CARD.search(text):
            return replace(found, doubts=(*found.doubts, TextDoubt("text_unclear", "card", line, DIFFERENT_CARD)))
        # The fault is read from the whole line, the parts from what is left without the readings.
        records = self._records(without_readings(text), found.records)
        source = next((name for name, pattern in said.SOURCES.items() if pattern.search(text)), found.source)
        works = bool(said.RUNS_OK.search(text) or (said.SERVICE.search(text) and not records))
        return replace(
            found,
            when=found.when or when,
            reading=found.reading or reading,
            old_reading=found.old_reading or old,
            source=source,
            works=found.works or works,
            records=(*found.records, *records),
            consumables=(*found.consumables, *(match[0] for match in said.CONSUMABLES.finditer(text))),
            outside=(*found.outside, *(match[0] for match in said.NOT_IN_CATALOGUE.finditer(text))),
            doubts=(*found.doubts, *doubts),
        )

    def _records(self, line: str, earlier: Sequence[TextRecord]) -> list[TextRecord]:
        """Records of one line; what stands in one part of it can speak of the parts in the others."""
        text = line
        for pattern, plain in said.SPELT_OUT:
            text = pattern.sub(plain, text)
        pieces = [piece for piece in said.BREAKS.split(text) if piece.strip()]
        records: list[TextRecord] = []
        for piece in pieces:
            for part in find_parts(piece, self.words):
                for place in ("front", "rear") if said.FRONT_AND_REAR.search(piece) else ("",):
                    records.append(self._record(part, f"{place} {said.FRONT_AND_REAR.sub(' ', piece)}", text))
        known = tuple(r.component for r in (*earlier, *records) if r.component is not None)
        return _by_the_whole_line([self._from_context(record, known) for record in records], line)

    def _record(self, part: str, piece: str, line: str) -> TextRecord:
        match = self.words.component(part)
        action, implied = _action(piece)
        record = TextRecord(
            part,
            match.component.slug if match.component else None,
            tuple(candidates(self.words, part)) if match.component is None else (),
            match.confidence,
            action=action,
            implied=implied,
            reason=_first(said.REASONS, line, "unknown"),
            quality=_first(said.QUALITIES, piece, "unknown"),
            customer_supplied=said.CUSTOMER_SUPPLIED.search(line) is not None,
        )
        swap = said.SWAP.search(piece)
        if swap:
            record = replace(record, action="swapped", implied=False, swapped=(swap[1], swap[2]))
        count = said.COUNT.search(piece)
        if count:
            record = replace(record, count=int(count[1] or 2))
        if match.component is None:
            return record
        named = match.position
        return replace(record, positions=places_in(piece, match.component, self.locale.drives_on, named))

    def _from_context(self, record: TextRecord, known: tuple[str, ...]) -> TextRecord:
        """Settle an ambiguous word by the rest of the card and by what is on record of the machine."""
        if record.component is not None:
            return record
        place = record.swapped[0] if record.swapped else ""
        context = Context(known, place, on_record=self.on_record)
        weighed = tuple(candidates(self.words, record.words, context))
        match = decide(self.words, record.words, context)
        if match is None or match.component is None:
            return replace(record, candidates=weighed)
        return replace(
            record, component=match.component.slug, confidence=match.confidence, candidates=weighed,
            positions=record.swapped or (),
        )  # fmt: skip


def _record_doubts(records: Sequence[TextRecord]) -> list[TextDoubt]:
    """What the records of a card leave open."""
    found = []
    for record in records:
        if record.component is None:
            meanings = ", ".join(c.meaning for c in record.candidates)
            detail = f"the word can mean {meanings}; the part that was meant settles it"
            found.append(TextDoubt("ambiguous_word", "component", record.words, detail))
        elif len(record.positions) > record.count and not record.swapped:
            detail = f"one of {', '.join(record.positions)}; the one that was meant settles it"
            found.append(TextDoubt("position_unclear", "position", record.words, detail))
        if record.action is None:
            detail = "taken off and put back, or taken off and renewed? Which of the two settles it"
            found.append(TextDoubt("text_unclear", "action", record.words, detail))
        elif record.implied:
            detail = "the line names the part and not what was done; renewed is assumed until someone confirms it"
            found.append(TextDoubt("text_unclear", "action", record.words, detail))
        if record.reason == "misdiagnosis":
            detail = "renewed, and the fault stayed: it was good; confirm that, or say why it was renewed"
            found.append(TextDoubt("misdiagnosis", "reason", record.words, detail))
    return found


def _action(piece: str) -> tuple[str | None, bool]:
    """What was done, and whether that is only implied; None where two things are possible."""
    if said.REMOVE_REFIT.search(piece):
        return None, False
    if said.ADVISORY.search(piece):
        return "advised", False
    for action, pattern in said.ACTIONS.items():
        if pattern.search(piece):
            return action, False
    return "renewed", True


def _first(patterns: Mapping[str, re.Pattern[str]], text: str, otherwise: str) -> str:
    return next((name for name, pattern in patterns.items() if pattern.search(text)), otherwise)


def _by_the_whole_line(records: list[TextRecord], text: str) -> list[TextRecord]:
    """What a line says as a whole: a clock change, a fault, how it was found, a wrong diagnosis, a moved fault."""
    if said.CLOCK_CHANGE.search(text):
        quality = _first(said.QUALITIES, text, "unknown")
        clock = TextRecord("clocks", "instrument_cluster", confidence=1.0, quality=quality)
        return [clock, *(r for r in records if r.component not in (None, "instrument_cluster") and r.words != "clocks")]
    if said.STILL.search(text) and len(records) > 1:
        wrong = [replace(r, reason="misdiagnosis", fault_found=False, implied=False) for r in records[:-1]]
        return [*wrong, replace(records[-1], action="checked_bad", reason="failed", fault_found=True, implied=False)]
    if said.NO_FAULT.search(text):
        return [replace(record, fault_found=False) for record in records]
    if said.MOVED.search(text):
        moved = [r for r in records if r.swapped]
        return [*records, *(replace(r, action="checked_bad", reason="failed", swapped=None, fault_found=True)
                            for r in moved)]  # fmt: skip
    return _faults(_merged(records), text)


def _faults(records: Sequence[TextRecord], text: str) -> list[TextRecord]:
    if said.FOUND.search(text):
        reason: str | None = "found_failed"
    else:
        reason = "failed" if said.FAULT.search(text) else None
    if reason is None:
        return list(records)
    return [
        replace(r, reason=reason, fault_found=True, implied=False)
        if r.reason == "unknown" and r.action in ("renewed", "repaired")
        else r
        for r in records
    ]


def _merged(records: Sequence[TextRecord]) -> tuple[TextRecord, ...]:
    """One record a part and action: a part named twice on a card was worked on once."""
    found: list[TextRecord] = []
    for record in records:
        for k, other in enumerate(found):
            same = record.component is not None and record.component == other.component
            if same and record.swapped == other.swapped and _goes_with(record, other):
                found[k] = _more_exact(other, record)
                break
        else:
            found.append(record)
    return tuple(found)


def _goes_with(record: TextRecord, other: TextRecord) -> bool:
    places = set(record.positions) & set(other.positions) or not record.positions or not other.positions
    return bool(places) and (record.action == other.action or record.implied or other.implied)


def _more_exact(one: TextRecord, two: TextRecord) -> TextRecord:
    if one.implied and not two.implied:
        one, two = two, one
    return replace(
        one,
        positions=min((p for p in (one.positions, two.positions) if p), key=len, default=()),
        quality=one.quality if one.quality != "unknown" else two.quality,
        reason=one.reason if one.reason != "unknown" else two.reason,
    )


def _date_doubts(when: WrittenDate | None) -> list[TextDoubt]:
    if when is None or when.certain:
        return []
    meanings = " or ".join(a.isoformat() if a == b else f"{a} to {b}" for a, b in when.meanings)
    return [TextDoubt("text_unclear", "date", when.as_written, f"{meanings}; which of them settles it")]


def _reading_doubts(reading: WrittenReading | None) -> list[TextDoubt]:
    if reading is None:
        return []
    found = []
    if reading.filler:
        detail = "a reading that is often written when nobody looked; the reading itself settles it, or none"
        found.append(TextDoubt("filler_reading", "odometer", reading.as_written, detail))
    if reading.unit == "unknown":
        detail = "km or miles is not written; the unit settles it"
        found.append(TextDoubt("text_unclear", "unit", reading.as_written, detail))
    if len(reading.meanings) > 1:
        detail = "thousands, or a decimal sign? The whole reading settles it"
        found.append(TextDoubt("text_unclear", "odometer", reading.as_written, detail))
    return found
