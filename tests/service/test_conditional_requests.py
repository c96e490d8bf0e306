"""Conditional requests (RFC 9110, sections 8.8 and 13; RFC 6585, section 3) and lists in parts (RFC 8288)."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.job_files import row
from tests.service.test_api_prices import OWN

LINES, PRICES, MACHINES = "/api/v1/job-lines", "/api/v1/prices", "/api/v1/machines"


@pytest.fixture
def line(gasket: Caller) -> dict[str, Any]:
    found: dict[str, Any] = gasket.post(LINES, json=row()).get_json()
    return found


def paths_of(line: dict[str, Any]) -> list[str]:
    machine = line["machine"]
    return [
        f"{MACHINES}/{machine}", MACHINES, f"{LINES}?machine={machine}", LINES, f"{LINES}/{line['id']}", PRICES,
        "/api/v1/components", "/api/v1/reviews", f"{MACHINES}/{machine}/ranking?as_of=2026-06-01",
    ]  # fmt: skip


def test_what_the_asker_has_is_not_sent_again(gasket: Caller, arches: Caller, line: dict[str, Any]) -> None:
    for path in paths_of(line):
        full = gasket.get(path)
        assert full.status_code == 200 and re.fullmatch(r'"[^"]+"', full.headers["ETag"])  # strong
        same = gasket.get(path, headers={"If-None-Match": full.headers["ETag"]})
        assert (same.status_code, same.data) == (304, b"")
        assert same.headers["ETag"] == full.headers["ETag"]
        assert gasket.get(path, headers={"If-None-Match": '"other"'}).data == full.data
        stranger = arches.get(path, headers={"If-None-Match": full.headers["ETag"]})
        assert stranger.status_code != 304 or path in ("/api/v1/components", PRICES, "/api/v1/reviews")


def test_every_change_of_a_machines_lines_changes_its_tags(gasket: Caller, line: dict[str, Any]) -> None:
    paths = [path for path in paths_of(line)[:5] if path != MACHINES]
    before = [gasket.get(path).headers["ETag"] for path in paths]
    said = {"by": "A. Person", "why": "misread"}
    other = gasket.post(LINES, json=row(card="2", date="2020-01-01", odometer="30000")).get_json()
    after = [gasket.get(path).headers["ETag"] for path in paths]
    assert not set(before) & set(after)
    gasket.post(f"{LINES}/{other['id']}/corrections", json={**said, "changes": {"odometer": "31000"}})
    corrected = [gasket.get(path).headers["ETag"] for path in paths]
    assert not set(after) & set(corrected)
    gasket.post(f"{LINES}/{line['id']}/links", json={**said, "kind": "withdrawn"})
    linked = [gasket.get(path).headers["ETag"] for path in paths]
    assert not set(corrected) & set(linked)


def test_a_change_names_the_state_it_means(gasket: Caller, arches: Caller) -> None:
    tag = gasket.get(PRICES).headers["ETag"]
    assert gasket.send("PUT", PRICES, json=OWN).status_code == 428
    changed = gasket.send("PUT", PRICES, json=OWN, headers={"If-Match": tag})
    assert changed.status_code == 200
    late = gasket.send("PUT", PRICES, json={**OWN, "hourly_rate": "1"}, headers={"If-Match": tag})
    assert late.status_code == 412
    assert gasket.get(PRICES).get_json()["hourly_rate"] == "72.50"
    assert gasket.get(PRICES).headers["ETag"] == changed.headers["ETag"] != tag
    weak = {"If-Match": "W/" + changed.headers["ETag"]}
    assert gasket.send("PUT", PRICES, json=OWN, headers=weak).status_code == 412  # strong comparison, 13.1.1
    assert gasket.send("PUT", PRICES, json=OWN, headers={"If-Match": "*"}).status_code == 200


def test_a_refused_change_changes_nothing(gasket: Caller, app: WeakspotApp) -> None:
    tag = gasket.get(PRICES).headers["ETag"]
    bad = {**OWN, "parts": [{"component": "tyre", "price": "9"}, {"component": "flux", "price": "1"}]}
    assert gasket.send("PUT", PRICES, json=bad, headers={"If-Match": tag}).status_code == 422
    assert gasket.get(PRICES).headers["ETag"] == tag


def links(response: Any) -> dict[str, str]:
    return {name: where for where, name in re.findall(r'<([^>]+)>; rel="(\w+)"', response.headers["Link"])}


def test_lists_lead_on_and_back(gasket: Caller) -> None:
    rows = [row(card=str(n), odometer=str(20_000 + n)) for n in range(7)]
    gasket.post(f"{LINES}/bulk", json={"lines": rows})
    machine = gasket.get(MACHINES).get_json()["machines"][0]["id"]
    whole = [one["id"] for one in gasket.get(LINES).get_json()["lines"]]
    pages, path = [], f"{LINES}?machine={machine}&limit=3"
    while path:
        response = gasket.get(path)
        pages.append([one["id"] for one in response.get_json()["lines"]])
        assert f"machine={machine}" in links(response)["first"] and "after" not in links(response)["first"]
        assert ("next" in links(response)) == (response.get_json()["next"] is not None)
        last, path = response, links(response).get("next", "")
    assert pages == [whole[:3], whole[3:6], whole[6:]]
    back = []
    while "prev" in links(last):
        last = gasket.get(links(last)["prev"])
        back.append([one["id"] for one in last.get_json()["lines"]])
    assert back == [whole[3:6], whole[:3]]
    assert links(last)["next"]


def test_edges_must_be_of_the_list(gasket: Caller, arches: Caller, line: dict[str, Any]) -> None:
    for query in (f"before={line['id']}", f"after={line['id']}"):
        assert arches.get(f"{LINES}?{query}").status_code == 422
        assert gasket.get(f"{LINES}?{query}").get_json()["lines"] == []
    both = gasket.get(f"{LINES}?after={line['id']}&before={line['id']}")
    assert [error["pointer"] for error in both.get_json()["errors"]] == ["/before"]
