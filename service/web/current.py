"""Whoever asks for a page: person, shop, roles, and how they read figures."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING, cast
from uuid import UUID

from flask import current_app, g, request, session
from werkzeug.local import LocalProxy

from service.inspections.prices import PriceList, price_list
from service.people.access_log import Actor
from service.people.roles import grants_of, role_suffices
from service.people.sessions import SignedIn, signed_in
from service.settings import Settings
from service.web.texts import languages, reader_of

if TYPE_CHECKING:
    from service.app import WeakspotApp

SESSION_KEY = "key"


@dataclass(frozen=True)
class Current:
    """What views and templates need to know of whoever asks; nobody is signed in where `person_id` is None."""

    unit: str
    locale: str
    person_id: int | None = None
    login: str = ""
    shop_id: int = 0
    shop_public_id: UUID | None = None
    shop_name: str = ""
    roles: frozenset[str] = frozenset()
    shops: tuple[tuple[UUID, str], ...] = ()
    signed_in: SignedIn | None = field(default=None, repr=False)

    @cached_property
    def prices(self) -> PriceList:
        """What labour and parts cost in this shop."""
        with app().database.read() as database_session:
            return price_list(database_session, self.shop_id, app().settings)

    @property
    def currency(self) -> str:
        """The shop's currency, ISO 4217."""
        return self.prices.terms.currency

    @property
    def hourly_rate(self) -> Decimal:
        """What an hour of labour costs in this shop."""
        return self.prices.terms.rate_per_hour

    @property
    def settings(self) -> Settings:
        """The installation's settings with this shop's money: plans are priced in it."""
        return replace(app().settings, hourly_rate=float(self.hourly_rate), currency=self.currency)

    def actor(self) -> Actor:
        """Who asks, for the log of accesses."""
        return Actor(self.shop_id, self.login, self.person_id)

    def may(self, grant: str) -> bool:
        """Whether they may read, write, admin or pool."""
        return grant in grants_of(self.roles)

    def is_at_least(self, role: str) -> bool:
        """Whether their roles let them do all that a role may."""
        return role_suffices(self.roles, role)


def app() -> WeakspotApp:
    """The application this request runs in."""
    return cast("WeakspotApp", current_app)


def _current() -> Current:
    if "current" not in g:
        g.current = _found()
        g.reader = reader_of(g.current.locale)
    return cast(Current, g.current)


# `current.shop_id` and so on; worked out once a request.
current = cast(Current, LocalProxy(_current))


def find_out() -> None:
    """Work out who asks, and so in which language they are answered."""
    _current()


def forget_current() -> None:
    """Look again: somebody signed in or out, or turned to another shop, in this request."""
    g.pop("current", None)


def _found() -> Current:
    settings, key = app().settings, session.get(SESSION_KEY)
    who = None
    if isinstance(key, str):
        with app().database.read() as database_session:
            who = signed_in(database_session, key, now=app().now())
    if who is None:
        return _nobody(settings)
    shop = who.shop
    return Current(
        unit=(shop.unit if shop else None) or "km",
        locale=who.person.locale or (shop.locale if shop else None) or _asked_for(settings),
        person_id=who.person.id,
        login=who.person.login,
        shop_id=shop.id if shop else 0,
        shop_public_id=shop.public_id if shop else None,
        shop_name=shop.name if shop else "",
        roles=who.roles,
        shops=tuple((shop.public_id, shop.name) for shop in who.shops),
        signed_in=who,
    )


def _nobody(settings: Settings) -> Current:
    return Current("km", _asked_for(settings))


def _asked_for(settings: Settings) -> str:
    """The browser's language where there are texts for it, else the installation's locale."""
    language = request.accept_languages.best_match(languages())
    return settings.locale if not language or settings.locale.startswith(language) else language
