"""The form that asks how right the chances of a past day were."""

from __future__ import annotations

from typing import Any

from wtforms import StringField
from wtforms.validators import InputRequired, Length, Optional

from service.web.current import current
from service.web.forms import NumberField, PageForm
from service.web.texts import lazy

BACKTEST_FIELDS = {"as_of": "as_of", "horizon.months": "months", "horizon.distance": "distance", "horizon": "months"}


class BacktestForm(PageForm):
    """Which day, and how far ahead."""

    as_of = StringField(
        lazy("Day to look back to"), [InputRequired(lazy("Write a day such as 2024-06-01.")), Length(max=10)]
    )
    months = NumberField(lazy("Months ahead"), [Optional()])
    distance = NumberField(lazy("Distance ahead"), [Optional()])


def backtest_request(form: BacktestForm) -> dict[str, Any]:
    """What is asked, as `BacktestAsked` reads it."""
    horizon: dict[str, Any] = {}
    if form.months.data is not None:
        horizon["months"] = float(form.months.data)
    if form.distance.data is not None:
        horizon["distance"] = {"value": float(form.distance.data), "unit": current.unit}
    return {"as_of": form.as_of.data, "horizon": horizon or None}
