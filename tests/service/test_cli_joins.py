"""`weakspot joins`: agree, list, take apart, offer again; the other shop's word alone joins nothing."""

from __future__ import annotations

import json
from typing import Any

from service.app import WeakspotApp
from tests.service.callers import Caller, Command
from tests.service.job_files import seen
from tests.service.test_api_people import with_scope
from tests.service.test_reviews import send
from tests.service.test_traps_cards import FIRST, LAST
from tests.service.test_traps_facts import post

GASKET, ARCHES = ("--shop", "The Cog & Gasket"), ("--shop", "Sallow Lane Arches")


def test_from_consent_to_joined_anew(app: WeakspotApp, gasket: Caller, arches: Caller, weakspot: Command) -> None:
    command = weakspot
    send(gasket, FIRST, LAST)
    send(arches, FIRST, seen("A9", "2021-12-10", "32000"))
    assert "none" in command("joins", "list", *GASKET)[1]
    assert "0 machines" in command("joins", "agree", *GASKET, "--by", "Ina")[1]
    assert "1 machines" in command("joins", "agree", *ARCHES, "--by", "Odo")[1]

    def listed(*shop: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads(command("joins", "list", *shop, "--json")[1])
        return found

    (join,) = listed(*ARCHES)
    assert "together since" in command("joins", "list", *GASKET)[1]
    assert command("joins", "undo", join["id"], *GASKET, "--by", "Ina", "--why", "another frame")[0] == 0
    assert command("joins", "undo", join["id"], *GASKET, "--by", "Ina", "--why", "again")[0] == 1
    assert "0 machines" in command("joins", "agree", *GASKET, "--by", "Ina")[1]  # never by itself
    assert "Offered" in command("joins", "again", join["id"], *ARCHES, "--by", "Odo")[1]
    assert "Offered" in command("joins", "again", join["id"], *ARCHES, "--by", "Odo")[1]  # asking twice is no consent
    assert [j["offered_again"] for j in listed(*GASKET)] == ["by the other shop"]
    assert "offered again by this shop" in command("joins", "list", *ARCHES)[1]
    assert "together again" in command("joins", "again", join["id"], *GASKET, "--by", "Ina")[1]
    assert [j["undone_at"] is None for j in listed(*GASKET)] == [False, True]  # the trail stays
    assert command("joins", "again", join["id"], *GASKET, "--by", "Ina")[0] == 1  # joined anew already
    assert "1 machines" in command("joins", "agree", *ARCHES, "--by", "Odo", "--end", "--why", "no longer")[1]


def test_joined_anew_needs_both_consents(gasket: Caller, arches: Caller) -> None:
    for shop in (gasket, arches):
        send(shop, FIRST, LAST)
        post(shop, "/machine-joins/agreement")
    (join,) = gasket.get("/api/v1/machine-joins").get_json()["joins"]
    assert post(gasket, f"/machine-joins/{join['id']}/again", 409)["status"] == 409  # they count together
    post(arches, "/machine-joins/agreement/end", why="no longer")
    assert post(gasket, f"/machine-joins/{join['id']}/again", 409)["status"] == 409
    post(arches, "/machine-joins/agreement")
    assert [j["offered_again"] for j in post(gasket, f"/machine-joins/{join['id']}/again")["joins"]] == ["by this shop"]
    assert [j["undone_at"] for j in post(arches, f"/machine-joins/{join['id']}/again")["joins"]][-1] is None


def test_both_shops_find_in_their_logs_what_was_joined_and_by_whom_only_the_own(
    app: WeakspotApp, gasket: Caller, arches: Caller
) -> None:
    for shop in (gasket, arches):
        send(shop, FIRST, LAST)
        post(shop, "/machine-joins/agreement")
    (join,) = gasket.get("/api/v1/machine-joins").get_json()["joins"]
    post(gasket, f"/machine-joins/{join['id']}/undo", why="another frame")

    def log(caller: Caller) -> list[tuple[str, str, str, str]]:
        entries = with_scope(app, caller.shop_id, "admin").get("/api/v1/accesses").get_json()["accesses"]
        return [
            (e["action"], e["by"], e["touched"], e["detail"]) for e in entries if e["action"].startswith("machines")
        ]

    number, other = "1 machine with the same whole frame number", "another shop of the pool"
    assert log(arches) == [
        ("machines taken apart", other, "this shop", number), ("machines joined", "Ina", "another shop", number),
    ]  # fmt: skip
    assert log(gasket) == [
        ("machines taken apart", "Ina", "another shop", number), ("machines joined", other, "this shop", number),
    ]  # fmt: skip
