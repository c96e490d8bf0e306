"""Pages: sign in with an OpenID Connect provider (authorization code flow with PKCE, by Authlib)."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, current_app, redirect, request, session, url_for

from service.errors import DomainError, InvalidInput, NotAvailable, NotFound, NotNow
from service.people.openid import person_vouched_for
from service.web.current import app
from service.web.forms import shown
from service.web.gate import for_anybody, own_path
from service.web.places import first_place
from service.web.sign_in import SignInForm, begin
from service.web.texts import _

blueprint = Blueprint("openid", __name__)
NEXT_KEY = "openid_next"
EXTENSION = "openid_provider"


@blueprint.get("/sign-in/with")
@for_anybody
def start() -> Any:
    """Go to the provider."""
    provider = _provider()
    session[NEXT_KEY] = own_path(request.args.get("next"))
    try:
        return provider.authorize_redirect(url_for("web.openid.back", _external=True))
    except Exception as error:  # it does not answer, or says something else than where to go: Authlib tells many ways
        current_app.extensions.pop(EXTENSION, None)  # it keeps what was said of no use
        current_app.logger.warning("OpenID provider not usable: %s", type(error).__name__)
        raise NotNow(_("The OpenID provider does not answer as it should: sign in with name and password.")) from None


@blueprint.get("/sign-in/back")
@for_anybody
def back() -> Any:
    """Come back from the provider, signed in if it vouches for somebody known here."""
    try:
        claims = _claims(_provider())
        with app().database.write() as database_session:
            person_id = person_vouched_for(database_session, app().settings.oidc_issuer, claims).id
    except InvalidInput as error:
        form = SignInForm(formdata=None)
        form.refuse(error)
        return shown("sign_in/sign_in.html", form)
    wanted = session.get(NEXT_KEY)
    begin(person_id)
    return redirect(own_path(wanted) or first_place(), 303)


def openid_name() -> str:
    """What the button is called; empty where there is no provider."""
    settings = app().settings
    return settings.oidc_name if settings.oidc_issuer and settings.oidc_client_id else ""


def _provider() -> Any:
    if not openid_name():
        raise NotFound("no OpenID provider is set up here")
    if EXTENSION not in current_app.extensions:
        current_app.extensions[EXTENSION] = _made()
    return current_app.extensions[EXTENSION]


def _made() -> Any:
    try:
        from authlib.integrations.flask_client import OAuth
    except ImportError:
        raise NotAvailable("OpenID needs the extra: pip install 'weakspot[oidc]'") from None
    settings = app().settings
    return OAuth(current_app).register(
        "weakspot",
        client_id=settings.oidc_client_id,
        client_secret=settings.oidc_client_secret,
        server_metadata_url=f"{settings.oidc_issuer}/.well-known/openid-configuration",
        client_kwargs={"scope": "openid email", "code_challenge_method": "S256", "timeout": 10},
    )


def _claims(provider: Any) -> dict[str, Any]:
    """The checked claims of the ID token; what the provider or somebody in between did wrong is not told apart."""
    try:
        return dict(provider.authorize_access_token().get("userinfo") or {})
    except DomainError:
        raise
    except Exception as error:  # Authlib, joserfc and requests each have their own
        current_app.logger.warning("OpenID sign-in refused: %s", type(error).__name__)
        raise InvalidInput(_("The provider did not vouch for you; try again.")) from None
