"""Every page and form with every role: the table is written down apart from the code."""

from __future__ import annotations

from collections.abc import Callable

from service.app import WeakspotApp
from service.vocabulary import ROLES
from tests.web.people import Visitor

ID = "01890a5d-ac96-774b-bcce-b302099a8057"
OPEN = {"web.sign_in.sign_in", "web.sign_in.sign_out", "web.sign_in.set_password", "web.account.look"}
OPEN_IF_THERE = ("web.openid.",)
SIGNED_IN = ("web.account.", "web.shop.tokens.")
OWNERS = ("web.shop.people.", "web.shop.settings", "web.shop.accesses", "web.shop.copies.")
# Pages that others may look at, and whose forms only an owner may send.
OWNERS_FORMS = ("web.shop.shared.",)


def expected(endpoint: str, method: str) -> set[str]:
    """The roles a page is for."""
    if endpoint in OPEN or endpoint.startswith(OPEN_IF_THERE):
        return {*ROLES, "nobody"}
    if endpoint.startswith(SIGNED_IN):
        return set(ROLES)
    if endpoint.startswith(OWNERS) or (method == "POST" and endpoint.startswith(OWNERS_FORMS)):
        return {"owner"}
    return {"owner", "technician", "reader"} if method == "GET" else {"owner", "technician"}


def pages(app: WeakspotApp) -> list[tuple[str, str, str]]:
    """Endpoint, method and an address of every page."""
    found = []
    adapter = app.url_map.bind("localhost")
    for rule in app.url_map.iter_rules():
        if not rule.endpoint.startswith("web."):
            continue
        values = {name: ID for name in rule.arguments}
        for method in sorted((rule.methods or set()) & {"GET", "POST", "PUT", "PATCH", "DELETE"}):
            found.append((rule.endpoint, method, adapter.build(rule.endpoint, values, method=method)))
    return found


def test_every_page_with_every_role(app: WeakspotApp, visit: Callable[..., Visitor]) -> None:
    app.config.update(
        WTF_CSRF_METHODS=set(), WTF_CSRF_ENABLED=False
    )  # who may is asked after the token of the form, which has its own tests
    cast = {role: visit(role) for role in ROLES} | {"nobody": Visitor(app.test_client())}
    wrong = []
    for endpoint, method, path in pages(app):
        if endpoint == "web.sign_in.sign_out":
            continue  # it would end the sessions of those who are to try the rest
        for role, visitor in cast.items():
            answer = visitor.http.open(path, method=method)
            turned_away = answer.status_code == 403 or (answer.location or "").startswith("/sign-in")
            if turned_away == (role in expected(endpoint, method)) or answer.status_code == 500:
                wrong.append(f"{method} {path} ({endpoint}) as {role}: {answer.status_code} {answer.location or ''}")
    assert wrong == []


def test_every_form_is_refused_without_its_token(app: WeakspotApp, owner: Visitor) -> None:
    for _endpoint, method, path in pages(app):
        if method != "GET":
            assert owner.http.open(path, method=method).status_code == 400, path


def test_a_fragment_is_told_where_to_sign_in(stranger: Visitor) -> None:
    answer = stranger.get("/shop", headers={"HX-Request": "true"})
    assert (answer.status_code, answer.headers["HX-Redirect"]) == (204, "/sign-in?next=/shop")


def test_pages_of_another_shop_do_not_exist(visit: Callable[..., Visitor]) -> None:
    owner, stranger = visit("owner"), visit("owner", "Sallow Lane Arches")
    stranger.post("/shop/people", {"name": "zoe@arches.example", "role": "reader"})
    assert "zoe" not in owner.get("/shop/people").get_data(as_text=True)
    assert owner.post("/account/shop", {"shop": ID}).status_code == 404
