"""A shop's own column names, and the job-line column each is read as.

What was said with the file comes first, then what the shop confirmed before, then the job-line names themselves. What
is left is guessed from words people put over such columns (common practice, no source) and from likeness of spelling;
a guess is shown and used only when somebody accepts it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from rapidfuzz import fuzz, process

from service.errors import ColumnsUnclear, FileRefused, InvalidInput
from service.imports.faults import RowProblem, shorten
from service.imports.options import LEFT_OUT, ColumnUse, ReadOptions
from service.vocabulary import JOB_LINE_COLUMNS

LIKENESS = 84.0  # of 100, below which a spelling is not taken for a known word (invented)
LISTED_FAULTS = 30
_SEPARATORS = re.compile(r"[\W_]+")
_UNIT_WORDS = {"km": "km", "kms": "km", "kilometer": "km", "kilometre": "km", "kilometers": "km", "kilometres": "km",
               "kilometerstand": "km", "mi": "mi", "mile": "mi", "miles": "mi", "mileage": ""}  # fmt: skip
_WORDS: Mapping[str, tuple[str, ...]] = {
    "card": ("job", "job no", "job number", "job card", "card no", "card number", "work order", "order no", "wo",
             "ticket", "auftrag", "auftragsnummer", "auftragsnr", "ordre", "numero ordre"),
    "date": ("day", "job date", "date in", "date done", "done on", "when", "datum", "jour"),
    "machine": ("bike", "vehicle", "reference", "ref", "vin", "frame", "frame no", "frame number", "chassis",
                "chassis no", "machine no", "fahrgestellnummer", "fahrgestell", "fahrgestellnr", "fgnr", "rahmennummer",
                "fahrzeug", "chassis numero", "vehicule"),
    "make": ("maker", "brand", "manufacturer", "marke", "hersteller", "marque"),
    "model": ("type", "model name", "modell", "typ", "modele"),
    "family": ("engine", "engine family", "engine type", "motor", "moteur"),
    "model_year": ("year", "my", "baujahr", "annee"),
    "built": ("build", "built on", "build date", "production date", "gebaut"),
    "first_registered": ("registered", "first reg", "first registration", "reg date", "erstzulassung",
                         "immatriculation"),
    "odometer": ("km", "kms", "odo", "clock", "reading", "mileage", "miles", "mi", "distance", "odometer km",
                 "odometer mi", "odo km", "odo mi", "km reading", "kilometers", "kilometres", "kilometerstand",
                 "km stand", "tachostand", "tacho", "kilometrage"),
    "unit": ("units", "km mi", "einheit", "unite"),
    "component": ("part", "item", "part name", "what part", "description", "teil", "bauteil", "piece"),
    "position": ("side", "place", "where", "location", "seite", "cote"),
    "action": ("work", "work done", "what", "done", "operation", "task", "arbeit", "travail"),
    "reason": ("why", "cause", "grund", "raison"),
    "source": ("origin", "from", "quelle"),
    "quality": ("part quality", "grade", "qualitaet", "qualite"),
    "labour_hours": ("hours", "labour", "labor", "labor hours", "time", "hrs", "stunden", "heures"),
    "parts_cost": ("parts", "part cost", "price", "part price", "parts price", "material", "materialkosten",
                   "cost", "preis", "prix"),
    "labour_cost": ("labor cost", "labour price", "lohn", "lohnkosten"),
    "currency": ("ccy", "cur", "waehrung", "devise"),
    "notes": ("note", "remarks", "remark", "comment", "comments", "text", "bemerkung", "notiz", "remarques"),
}  # fmt: skip


_PLAIN = {"ä": "ae", "ö": "oe", "ü": "ue", "é": "e", "è": "e", "ê": "e", "ç": "c", "ô": "o"}


def fold_column(text: str) -> str:
    """A column's name without case, accents written out, and spare marks."""
    plain = "".join(_PLAIN.get(letter, letter) for letter in text.casefold())
    return _SEPARATORS.sub(" ", plain).strip()


_KNOWN = {fold_column(word): name for name, words in _WORDS.items() for word in (name, *words)}


def read_mapping(pairs: Mapping[str, str], pointer: str = "/columns") -> dict[str, str]:
    """Check a mapping from a shop's column names to those of the job-line file; by folded name."""
    found: dict[str, str] = {}
    for written, column in pairs.items():
        key = fold_column(written)
        if not key or len(key) > 200:
            raise InvalidInput("a column's name has 1 to 200 characters, letters or digits among them", pointer=pointer)
        if column != LEFT_OUT and column not in JOB_LINE_COLUMNS:
            known = ", ".join(JOB_LINE_COLUMNS)
            raise InvalidInput(
                f'"{shorten(written)}" cannot be read as "{shorten(column)}"; write one of {known}, or {LEFT_OUT} to '
                "leave the column out",
                pointer=f"{pointer}/{written.replace('~', '~0').replace('/', '~1')}",
            )
        found[key] = column
    return found


def use_columns(line: int, names: Sequence[str], options: ReadOptions) -> tuple[ColumnUse, ...]:
    """What each column of a file is read as; raises `ColumnsUnclear` where that is only a guess nobody accepted."""
    uses = [_certain(name, options) for name in names]
    taken = {use.column for use in uses if use is not None and use.column}
    guessed = [use or _guess(name, taken) for name, use in zip(names, uses, strict=True)]
    if any(use is None for use in uses) and not (options.accept_columns and all(use.how for use in guessed)):
        raise _unclear(line, guessed)
    _check_given(names, options)
    return tuple(guessed)


def _certain(name: str, options: ReadOptions) -> ColumnUse | None:
    key = fold_column(name)
    for how, mapping in (("given", options.columns), ("shop", options.remembered)):
        if key in mapping:
            column = mapping[key]
            return ColumnUse(name, "" if column == LEFT_OUT else column, how, _unit_in(key))
    own = name.strip().lower()
    return ColumnUse(name, own, "exact") if own in JOB_LINE_COLUMNS else None


def _guess(name: str, taken: set[str]) -> ColumnUse:
    """The free column whose words are nearest; `how` empty where none is near."""
    key = fold_column(name)[:60]
    free = {word: column for word, column in _KNOWN.items() if column not in taken}
    column = free.get(key) or free.get(" ".join(word for word in key.split() if word not in _UNIT_WORDS))
    if column is None and key:
        near = process.extractOne(key, free.keys(), scorer=fuzz.ratio, score_cutoff=LIKENESS)
        column = free[near[0]] if near else None
    if column is None:
        return ColumnUse(name, "", "")
    taken.add(column)
    return ColumnUse(name, column, "guess", _unit_in(key) if column == "odometer" else "")


def _unit_in(key: str) -> str:
    return next((unit for word in key.split() if (unit := _UNIT_WORDS.get(word))), "")


def _check_given(names: Sequence[str], options: ReadOptions) -> None:
    there = {fold_column(name) for name in names}
    for key in options.columns:
        if key not in there:
            raise FileRefused(f'the file has no column "{shorten(key)}"', pointer="/columns")


def _unclear(line: int, uses: Sequence[ColumnUse]) -> ColumnsUnclear:
    problems = []
    for use in uses:
        if use.how in ("", "guess"):
            name = shorten(use.written)
            reason = "the column is not known" if use.written.strip() else "a column has no name"
            problems.append(RowProblem(line, name or "(no name)", name, reason, _instead(use)))
    said = ", ".join(f'"{problem.column}"' for problem in problems[:LISTED_FAULTS])
    known = {use.column for use in uses if use.how in ("exact", "given", "shop")}
    guesses = {use.column for use in uses if use.how == "guess"}
    detail = f"line 1: not known are the columns {said}"
    if not all(use.how for use in uses):
        detail += f"; columns of a job-line file are {', '.join(JOB_LINE_COLUMNS)}"
    if not known and 2 * len(guesses) < len(uses):
        detail = f"the first line must name the columns: {', '.join(JOB_LINE_COLUMNS)}"
    elif guesses and all(use.how for use in uses):
        shown = ", ".join(f"{shorten(use.written)}={use.column}" for use in uses if use.how == "guess")
        detail += f"; or accept what they were taken for: {shown}"
    return ColumnsUnclear(detail, problems=tuple(problems[:LISTED_FAULTS]), columns=tuple(uses))


def _instead(use: ColumnUse) -> str:
    if use.column:
        return f'{use.column}, if that is meant, or "{shorten(use.written)}={LEFT_OUT}" with the file to leave it out'
    if not use.written.strip():
        return "a name, or take the column out"
    near = process.extractOne(fold_column(use.written)[:60], JOB_LINE_COLUMNS, score_cutoff=70)
    example = near[0] if near else "notes"
    return f'with the file which column it is, as in "{shorten(use.written)}={example}", or {LEFT_OUT} to leave it out'
