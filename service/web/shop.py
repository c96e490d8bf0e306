"""Pages: the shop's settings, and the way to its people, tokens and log of accesses."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from babel.core import UnknownLocaleError
from babel.numbers import UnknownCurrencyError, validate_currency
from flask import Blueprint, flash, redirect, render_template, request, url_for
from wtforms import RadioField, StringField
from wtforms.validators import InputRequired, Length, NumberRange, ValidationError

from service.inspections.prices import set_hourly_rate
from service.models import Shop
from service.people.access_log import accesses_of, note_access, shown_access
from service.people.desk import change_shop
from service.vocabulary import MACHINE_USES
from service.web import shop_copies, shop_people, shop_shared, shop_tokens
from service.web.current import app, current
from service.web.forms import NumberField, PageForm, SelectField, choices, shown
from service.web.gate import require_role
from service.web.names import use_name
from service.web.texts import _, current_locale, lazy, locale_of

blueprint = Blueprint("shop", __name__, url_prefix="/shop")
blueprint.register_blueprint(shop_people.blueprint)
blueprint.register_blueprint(shop_tokens.blueprint)
blueprint.register_blueprint(shop_shared.blueprint)
blueprint.register_blueprint(shop_copies.blueprint)

# How figures and days may be written; texts follow where there are some in that language.
LOCALES = ("en_GB", "en_IE", "en_US", "de_CH", "de_AT", "de_DE", "fr_CH", "fr_FR", "it_CH", "it_IT")
ACCESSES_SHOWN = 100


def _known_currency(_form: Any, field: Any) -> None:
    try:
        validate_currency((field.data or "").upper())
    except UnknownCurrencyError:
        raise ValidationError(_("Write a currency code of three letters, such as EUR, CHF or GBP.")) from None


class SettingsForm(PageForm):
    unit = RadioField(lazy("Distances in"), choices=choices([("km", lazy("kilometres")), ("mi", lazy("miles"))]))
    hourly_rate = NumberField(
        lazy("An hour of labour costs"),
        [
            InputRequired(lazy("Write a number, such as 60.")),
            NumberRange(Decimal("0.01"), 1_000_000, lazy("An hour costs more than 0 and at most 1,000,000.")),
        ],
        places=None,
        use_locale=False,
    )
    currency = StringField(
        lazy("Currency"), [InputRequired(lazy("Write a currency code.")), Length(max=3), _known_currency]
    )
    locale = SelectField(lazy("Figures and days as in"))
    region = StringField(
        lazy("Region"),
        [Length(max=80, message=lazy("Write at most 80 characters."))],
        filters=[lambda text: " ".join((text or "").split())],
    )
    machine_use = SelectField(lazy("Most machines are used for"))


@blueprint.get("")
def index() -> Any:
    """Show the shop's settings."""
    return shown("shop/index.html", _filled())


@blueprint.post("/settings")
@require_role("owner")
def settings() -> Any:
    """Change the shop's settings."""
    form = _filled()
    if not form.validate_on_submit():
        return shown("shop/index.html", form)
    now, currency, rate = app().now(), (form.currency.data or "").upper(), form.hourly_rate.data
    assert rate is not None  # the form has made sure
    with app().database.write() as session:
        wanted = {name: form[name].data or None for name in ("unit", "locale", "region", "machine_use")}
        change_shop(session, current.actor(), current.shop_id, wanted, now=now)
        if (rate, currency) != (current.hourly_rate, current.currency):
            set_hourly_rate(session, current.shop_id, rate, currency, now=now)
            said = f"an hour {rate} {currency}"
            note_access(session, current.actor(), "settings changed", shop_id=current.shop_id, detail=said, now=now)
    flash(_("Settings saved."))
    return redirect(url_for("web.shop.index"), 303)


@blueprint.get("/accesses")
@require_role("owner")
def accesses() -> Any:
    """Show who looked across the shop's border, and who changed who may do what."""
    with app().database.read() as session:
        found = [
            shown_access(event, current.shop_id)
            for event in accesses_of(session, current.shop_id, limit=ACCESSES_SHOWN)
        ]
    return render_template("shop/accesses.html", accesses=found)


def _filled() -> SettingsForm:
    with app().database.read() as session:
        shop = session.get_one(Shop, current.shop_id)
    form = SettingsForm(
        request.form if request.method == "POST" else None,
        unit=shop.unit or current.unit,
        hourly_rate=current.hourly_rate,
        currency=current.currency,
        locale=shop.locale or "",
        region=shop.region or "",
        machine_use=shop.machine_use or "",
    )
    form.machine_use.choices = choices([("", _("not said")), *((use, use_name(use)) for use in MACHINE_USES)])
    names = [(code, _locale_name(code)) for code in LOCALES]
    form.locale.choices = choices([("", _("this installation")), *names])
    return form


def _locale_name(code: str) -> str:
    try:
        return str(locale_of(code).get_display_name(current_locale()))
    except UnknownLocaleError:
        return code
