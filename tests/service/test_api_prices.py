"""GET and PUT /api/v1/prices: the shop's own prices over the catalogue's."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import ShopPrice
from tests.service.callers import Caller
from tests.service.test_api_bills import CHAIN, LANNER, TYRE

OWN = {"currency": "EUR", "hourly_rate": "72.50", "parts": [{"component": "tyre", "price": "145.00"}]}


def put(caller: Caller, **asked: Any) -> dict[str, Any]:
    headers = {"If-Match": caller.get("/api/v1/prices").headers["ETag"]}
    response = caller.send("PUT", "/api/v1/prices", json=asked, headers=headers)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.get_json()
    return found


def price(document: dict[str, Any], slug: str) -> tuple[str, str]:
    (entry,) = (part for part in document["parts"] if part["component"] == slug)
    return entry["price"], entry["source"]


def certain(caller: Caller) -> str:
    asked = {"machine": LANNER, "as_of": "2026-06-01", "found_bad": [TYRE, CHAIN]}
    found: str = caller.post("/api/v1/bills", json=asked).get_json()["certain"]
    return found


def test_own_prices_go_before_the_catalogues(gasket: Caller, arches: Caller) -> None:
    assert price(gasket.get("/api/v1/prices").get_json(), "tyre") == ("108.00", "catalogue default, invented prior")
    made = put(gasket, **OWN)
    assert (made["hourly_rate"], made["hourly_rate_source"]) == ("72.50", "this shop's own price")
    assert price(made, "tyre") == ("145.00", "this shop's own price")
    assert gasket.get("/api/v1/prices").get_json() == made
    # 0.6 + 1.2 h of work and a chain set worth 2 h at 72.50, and the tyre at 145
    assert certain(gasket) == "420.50"
    assert certain(arches) == "336.00"


def test_put_is_the_whole_list_and_nothing_is_overwritten(app: WeakspotApp, gasket: Caller) -> None:
    put(gasket, **OWN)
    put(gasket, **OWN)
    put(gasket, currency="EUR", parts=[{"component": "battery", "price": "0"}])
    assert price(put(gasket, currency="EUR", hourly_rate=None), "tyre")[0] == "108.00"
    with app.database.read() as session:
        rows = session.scalars(select(ShopPrice).order_by(ShopPrice.id)).all()
        told = {(row.component, None if row.amount is None else float(row.amount)) for row in rows}
    kept = {(None, 72.5), ("tyre", 145.0), ("battery", 0.0)}
    taken_back = {(component, None) for component, _ in kept}
    assert (told, len(rows)) == (kept | taken_back, 6)
    assert certain(gasket) == "336.00"


def test_prices_in_another_currency_are_left_out_and_said_so(gasket: Caller) -> None:
    put(gasket, **OWN)
    asked = {"machine": LANNER, "found_bad": [TYRE], "hourly_rate": "70", "currency": "USD"}
    made = gasket.post("/api/v1/bills", json=asked).get_json()
    assert (made["certain"], made["currency"]) == ("168.00", "USD")
    assert "Part prices on file in EUR are not used in a bill in USD." in made["notes"]


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"currency": "Euro"}, "/currency"),
        ({"hourly_rate": "0"}, "/hourly_rate"),
        ({"hourly_rate": 60}, "/hourly_rate"),
        ({"parts": [{"component": "flux", "price": "1"}]}, "/parts/0/component"),
        ({"parts": [{"component": "tyre", "price": "1"}] * 2}, "/parts/1/component"),
        ({"parts": [{"component": "tyre", "price": "1,50"}]}, "/parts/0/price"),
    ],
)
def test_refused_and_nothing_kept(gasket: Caller, changed: dict[str, Any], pointer: str) -> None:
    before = gasket.get("/api/v1/prices").get_json()
    response = gasket.send("PUT", "/api/v1/prices", json={**OWN, **changed}, headers={"If-Match": "*"})
    assert response.status_code == 422
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]
    assert gasket.get("/api/v1/prices").get_json() == before
