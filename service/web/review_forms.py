"""The form of the review list: for every doubt shown an answer, or none yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from wtforms import BooleanField, FieldList, Form, FormField, HiddenField, StringField
from wtforms.validators import Length, Optional

from service.imports.words import CatalogueWords, fold
from service.review_answers import OWN_VALUE
from service.review_choices import CHOICES
from service.vocabulary import REASONS, UNITS
from service.web.forms import PageForm, SelectField, choices
from service.web.log_forms import REASON_NAMES
from service.web.names import part_name
from service.web.own_words import catalogue_label
from service.web.texts import _, lazy

NOT_YET = ""
CHOICE_NAMES = {
    "part": lazy("another part: the one named below"),
    "position": lazy("the place named below; left empty, nobody knows"),
    "reading": lazy("the reading named below is the right one"),
    "other_unit": lazy("the number is right, the unit is the other one"),
    "no_reading": lazy("nobody read the clock: no reading"),
    "date": lazy("the day named below is the right one"),
    "action:renewed": lazy("the part was renewed"),
    "action:repaired": lazy("the part was repaired"),
    "swapped": lazy("two units changed places: each keeps its age"),
    "reason": lazy("the reason named below is the right one"),
    "same_job": lazy("one job written down twice: this line is taken out"),
    "two_jobs": lazy("two jobs indeed"),
    "faulty_part": lazy("one event: the new part was faulty"),
    "wrong_diagnosis": lazy("one event: the first diagnosis was wrong"),
    "fitting": lazy("one event: it was fitted badly"),
    "two_events": lazy("two failures that have nothing to do with each other"),
    "as_written": lazy("it is right as it is written"),
    "withdraw": lazy("the line stands for nothing: it is taken out"),
}


class Answer(Form):
    """The answer to one doubt."""

    doubt = HiddenField(validators=[Length(max=36)])
    # A choice of the review list; "part:slug" and "action:renewed" name their value as well.
    choice = StringField(lazy("Answer"), [Optional(), Length(max=80)])
    part = StringField(lazy("Part"), [Optional(), Length(max=120)])
    position = StringField(lazy("Place"), [Optional(), Length(max=40)])
    value = StringField(lazy("Value"), [Optional(), Length(max=40)])
    unit = SelectField(lazy("Unit"), choices=choices([("", "–"), *((u, u) for u in UNITS)]), validate_choice=False)
    reason = SelectField(
        lazy("Why"), choices=choices([("", "–"), *((r, REASON_NAMES[r]) for r in REASONS)]), validate_choice=False
    )
    apply_to_like = BooleanField(lazy("also to like rows"))


class ReviewForm(PageForm):
    """Answers to the doubts on the page; those left open stay on the list."""

    answers = FieldList(FormField(Answer), max_entries=100)
    why = StringField(lazy("Why, or who remembers"), [Optional(), Length(max=400)])

    def offer(self, documents: Sequence[Mapping[str, Any]]) -> None:
        """A row for every doubt."""
        for document in documents:
            self.answers.append_entry({"doubt": str(document["id"])})


def ways(document: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """What a doubt can be answered with, as values and labels; the candidates of a word first."""
    found: list[tuple[str, Any]] = [
        (f"part:{c['component']}", catalogue_label(part_name(c["component"])))
        for c in document["candidates"]
        if c["component"]
    ]
    for choice in (entry["choice"] for entry in document["choices"]):
        if choice == "action":
            found += [(name, CHOICE_NAMES[name]) for name in ("action:renewed", "action:repaired")]
        else:
            found.append((choice, CHOICE_NAMES[choice]))
    return found


def wants(document: Mapping[str, Any]) -> set[str]:
    """Which fields beside the choice a doubt needs."""
    taken = {entry["choice"] for entry in document["choices"]}
    needed = {"part": {"part", "position"}, "position": {"position"}, "reading": {"value", "unit"}, "date": {"value"},
              "reason": {"reason"}}  # fmt: skip
    fields: set[str] = set().union(*(needed.get(choice, set()) for choice in taken))
    if document["like"] and taken - set(OWN_VALUE):
        fields.add("apply_to_like")
    return fields


def answers_asked(form: ReviewForm, login: str, words: CatalogueWords) -> tuple[dict[str, Any], dict[str, str]]:
    """The request the form makes, and where in it a refusal of each value is shown."""
    answers: list[dict[str, Any]] = []
    places = {"why": "why"}
    for number, row in enumerate(form.answers):
        choice, _mark, named = (row.form.choice.data or "").partition(":")
        if choice == NOT_YET:
            continue
        at = f"answers.{number}"
        places |= {f"answers.{len(answers)}.{name}": f"{at}.{name}" for name in ("choice", "position", "value", "unit")}
        places |= {f"answers.{len(answers)}.{name}": f"{at}.{field}" for name, field in
                   (("component", "part"), ("apply_to_like", "apply_to_like"), ("doubt", "choice"))}  # fmt: skip
        if choice == "reason":
            places[f"answers.{len(answers)}.value"] = f"{at}.reason"
        answers.append(_answer(row.form, choice, named, words))
    why = (form.why.data or "").strip() or _("answered on the review list")
    return {"by": login, "why": why, "answers": answers}, places


def _answer(row: Any, choice: str, named: str, words: CatalogueWords) -> dict[str, Any]:
    part, position = (row.part.data or "").strip(), row.position.data
    value: str | None = (row.value.data or "").strip() or None
    component = None
    if choice == "part":
        component = named or words.own.get(fold(part), part) or None
    elif choice == "action":
        value = named
    elif choice == "reason":
        value = row.reason.data or None
    return {
        "doubt": row.doubt.data,
        "choice": choice,
        "component": component,
        # An empty place is an answer where places are asked about; beside a part it says nothing.
        "position": (position or "").strip() if choice == "position" else (position or "").strip() or None,
        "value": value if choice in ("reading", "date", "action", "reason") else None,
        "unit": (row.unit.data or None) if choice == "reading" else None,
        "apply_to_like": bool(row.apply_to_like.data) and choice not in OWN_VALUE,
    }


assert set(CHOICES) <= {name.partition(":")[0] for name in CHOICE_NAMES}
