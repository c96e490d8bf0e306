"""Forms of the machine pages: find one, see it as of a past day, start its inspection."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from wtforms import StringField
from wtforms.validators import Length, Optional

from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.look_forms import KITS
from service.web.names import PERMISSIONS
from service.web.texts import _, lazy

INSPECTION_FIELDS = {"minutes": "minutes", "kit": "kit", "permission": "permission"}


class FindForm(PageForm):
    """A reference, or a part of it, or a make or model."""

    named = StringField(lazy("Reference, make or model"), [Optional(), Length(max=80)])


class AsKnownForm(PageForm):
    """The day whose knowledge is wanted."""

    known_on = StringField(lazy("As known on"), [Optional(), Length(max=10)])

    def moment(self, now: datetime) -> datetime | None:
        """The end of that day; None for now. What cannot be read is refused at the field."""
        text = (self.known_on.data or "").strip()
        if not text:
            return None
        try:
            day = date.fromisoformat(text)
        except ValueError:
            self.known_on.errors = [_("Write a day such as 2026-03-01.")]
            return None
        if day > now.date():
            self.known_on.errors = [_("What will be known later cannot be shown; write a past day.")]
            return None
        moment = datetime.combine(day, time.max, tzinfo=UTC)
        return None if moment >= now else moment


class StartForm(PageForm):
    """What is at hand for an inspection."""

    minutes = NumberField(lazy("Minutes you have"), [Optional()])
    kit = SelectField(lazy("Tools at hand"), choices=choices(KITS), default="shop", validate_choice=False)
    permission = SelectField(
        lazy("What you may do"), choices=choices(PERMISSIONS), default="look_only", validate_choice=False
    )
