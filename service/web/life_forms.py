"""Forms of the pages of lifetimes: which component, which model, which kind of part."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from wtforms.validators import Optional

from service.vocabulary import KM_PER_MILE, QUALITIES
from service.web.current import current
from service.web.forms import NumberField, PageForm, SelectField, choices
from service.web.names import place_name
from service.web.record_words import make_in_words
from service.web.texts import _, lazy

CLOCKS = (("km", lazy("distance")), ("days", lazy("age in years")))
LIFE_FIELDS = {
    "position": "position",
    "stratum": "stratum",
    "quality": "quality",
    "clock": "clock",
    "km_per_year": "distance_a_year",
}


class ChooseForm(PageForm):
    """A component and a model."""

    component = SelectField(lazy("Part"), validate_choice=False)
    model = SelectField(lazy("Model"), validate_choice=False)

    def offer(self, components: Iterable[tuple[str, str]], models: Iterable[tuple[str, str]]) -> None:
        """Fill the lists."""
        self.component.choices = choices(sorted(components, key=lambda pair: pair[1]))
        compared = ("", _("all models compared"))
        self.model.choices = choices([compared, *((f"{make}|{model}", f"{make} {model}") for make, model in models)])


class PartForm(PageForm):
    """Which kind of the part, on which clock."""

    clock = SelectField(lazy("Counted by"), choices=choices(CLOCKS), default="km", validate_choice=False)
    position = SelectField(lazy("Place"), default="", validate_choice=False)
    stratum = SelectField(lazy("Build"), default="", validate_choice=False)
    quality = SelectField(lazy("Kind of part"), default="unknown", validate_choice=False)
    distance_a_year = NumberField(lazy("Distance a year"), [Optional()])

    def offer(self, available: Mapping[str, Any]) -> None:
        """Fill the lists with what there is on this model."""
        self.position.choices = choices([("", _("any")), *((p, place_name(p)) for p in available["positions"])])
        self.stratum.choices = choices([("", _("any")), *((str(s), build_name(s)) for s in available["strata"])])
        known = [(q, make_in_words(q) if q != "unknown" else _("any")) for q in QUALITIES]
        self.quality.choices = choices(sorted(known, key=lambda pair: pair[0] != "unknown"))


def build_name(stratum: int) -> str:
    """A build stratum in words: parts of one number, from the oldest."""
    return _("the oldest part number") if stratum == 0 else _("part number %(n)s", n=stratum + 1)


def risk_request(form: PartForm, make: str, model: str) -> dict[str, Any]:
    """What is asked, as `RiskQuery` reads it."""
    body: dict[str, Any] = {"make": make, "model": model}
    for name in ("clock", "position", "stratum", "quality"):
        value = getattr(form, name).data
        if value:
            body[name] = value
    distance = form.distance_a_year.data
    if distance is not None:
        body["km_per_year"] = float(distance) * (KM_PER_MILE if current.unit == "mi" else 1.0)
    return body
