"""What all forms share: the CSRF token, refusals at the field they are about, numbers as people write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal, InvalidOperation
from typing import Any

import wtforms
from babel.numbers import NumberFormatError, format_decimal, get_group_symbol, parse_decimal
from flask import Flask, render_template
from flask_wtf import FlaskForm
from markupsafe import Markup, escape
from wtforms import DecimalField
from wtforms.fields import SelectChoice
from wtforms.widgets import Select, TextInput

from service.errors import DomainError
from service.web.own_words import English, in_english, own_words
from service.web.texts import _, current_locale

# One comma with one or two digits behind it cannot part thousands.
APOSTROPHES = "'\u2019"
APOSTROPHE = re.compile(f"[{APOSTROPHES}]")
DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d{1,2}$")


class PlainSelect(Select):
    """A list to choose from; WTForms' own takes ten times as long for each option."""

    @classmethod
    def render_option(cls, choice: Any, **kwargs: Any) -> Markup:
        """One option."""
        if kwargs or choice.render_kw:
            return super().render_option(choice, **kwargs)
        chosen = " selected" if choice.selected else ""
        language = in_english() if isinstance(choice.label, English) else ""
        label = escape(choice.label or choice.value)
        return Markup(f'<option{chosen}{language} value="{escape(choice.value)}">{label}</option>')


class SelectField(wtforms.SelectField):
    """A choice of one."""

    widget = PlainSelect()


class PageForm(FlaskForm):
    """Base of every form; Flask-WTF adds and checks its CSRF token."""

    def refuse(self, error: DomainError) -> None:
        """Show a refusal at the field its pointer names, or above the form."""
        name = (error.pointer or "").strip("/").split("/")[0]
        sentence = own_words(error.detail, large=True)
        if name in self._fields:
            self._fields[name].errors = [*self._fields[name].errors, sentence]
        else:
            self.form_errors.append(sentence)

    @property
    def refused(self) -> bool:
        """Whether anything in it was refused."""
        return any(field.errors for field in self) or bool(self.form_errors)


class NumberField(DecimalField):
    """A number with decimal point or comma, as the reader's locale has it or as a program would write it."""

    widget = TextInput()  # a browser's own number box takes its locale, not the reader's

    def _value(self) -> str:
        """What stands in the field: what was typed, or the number as the reader's locale writes it."""
        if self.raw_data:
            return str(self.raw_data[0])
        if self.data is None:
            return ""
        return format_decimal(self.data, format="0.########", locale=current_locale(), decimal_quantization=False)

    def process_formdata(self, valuelist: list[Any]) -> None:
        """Read what was typed; the text stays in the field when it cannot be read."""
        text = "".join(str(valuelist[0]).split()) if valuelist else ""
        if not text:
            self.data = None
            return
        try:
            self.data = number_in(text)
        except ValueError as error:
            self.data = None
            raise ValueError(str(error)) from None


def number_in(text: str) -> Decimal:
    """The number somebody typed.

    Raises
    ------
    ValueError
        With what to type instead.
    """
    group = get_group_symbol(current_locale())
    if group in APOSTROPHES:
        text = APOSTROPHE.sub(group, text)  # which of them CLDR writes changes with its version
    try:
        found = Decimal(parse_decimal(text, locale=current_locale(), strict=True))
    except NumberFormatError:
        found = _as_programs_write(text)
    if not found.is_finite():
        raise ValueError(_("Write a number, such as 12.5."))
    return found


def _as_programs_write(text: str) -> Decimal:
    try:
        return Decimal(text.replace(",", ".") if DECIMAL_COMMA.match(text) else text)
    except InvalidOperation:
        raise ValueError(_("Write a number, such as 12.5.")) from None


def flat_errors(errors: Iterable[Any]) -> list[str]:
    """The messages of a field, flat: lists of fields nest theirs."""
    flat = (error for error in errors if not isinstance(error, (dict, list, tuple)))
    return [error if isinstance(error, str) else str(error) for error in flat]


def choices(pairs: Iterable[tuple[str, Any]]) -> list[SelectChoice]:
    """Choices of a select or radio field, from pairs of value and label."""
    return [SelectChoice(value, label) for value, label in pairs]


def described_by(described: str, errors: list[str], attributes: dict[str, Any]) -> dict[str, Any]:
    """Attributes of a control that tie its hint and its messages to it."""
    ties: dict[str, Any] = {}
    if described.strip():
        ties["aria-describedby"] = described.strip()
    if errors:
        ties["aria-invalid"] = "true"
    return {**ties, **attributes}


def register_forms(app: Flask) -> None:
    """What the macros of forms need."""
    app.add_template_filter(flat_errors)
    app.add_template_global(described_by)


def shown(template: str, form: PageForm, **values: Any) -> tuple[str, int]:
    """The page of a form: 422 where something in it was refused, so that programs and htmx see it too."""
    return render_template(template, form=form, **values), 422 if form.refused else 200
