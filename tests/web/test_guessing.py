"""Guessing is slowed for each account and each address, and tells nothing about which accounts there are."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.models import SignInBrake
from service.people import passwords
from service.people.sign_in import SignInRefused, TooManyTries, sign_in, wait_after
from tests.service.databases import NOW
from tests.web.people import PASSWORD, Visitor, make_person

MARA, NOBODY = "mara@gasket.example", "nobody@gasket.example"


@pytest.fixture(autouse=True)
def mara(app: WeakspotApp) -> None:
    make_person(app, "The Cog & Gasket", MARA, "technician")


def guess(app: WeakspotApp, name: str, password: str = "wrong", *, address: str = "192.0.2.1", after: float = 0) -> str:
    try:
        sign_in(app.database, name, password, address=address, now=NOW + timedelta(seconds=after))
    except SignInRefused:
        return "refused"
    except TooManyTries as error:
        return f"wait {error.seconds}"
    return "in"


@pytest.mark.parametrize("name", [MARA, NOBODY, "not a name at all"])
def test_waits_double_whether_or_not_the_account_exists(app: WeakspotApp, name: str) -> None:
    assert [guess(app, name) for _ in range(6)] == ["refused"] * 5 + ["wait 2"]
    assert [guess(app, name, after=2), guess(app, name, after=3)] == ["refused", "wait 3"]
    assert [guess(app, name, after=6), guess(app, name, after=6.5)] == ["refused", "wait 8"]


def test_right_password_waits_too_and_then_clears_the_count(app: WeakspotApp) -> None:
    for _ in range(5):
        guess(app, MARA)
    assert guess(app, MARA, PASSWORD) == "wait 2"
    assert guess(app, MARA, PASSWORD, after=2) == "in"
    assert [guess(app, MARA, after=3) for _ in range(5)] == ["refused"] * 5


def test_one_address_trying_many_names_is_slowed(app: WeakspotApp) -> None:
    outcomes = [guess(app, f"name{n}@gasket.example") for n in range(21)]
    assert outcomes == ["refused"] * 20 + ["wait 2"]
    assert guess(app, MARA, PASSWORD, address="192.0.2.2") == "in"


def test_addresses_of_one_ipv6_subscriber_are_one(app: WeakspotApp) -> None:
    # RFC 6177: a site is given a /64 at least; all of it is one subscriber's.
    outcomes = [guess(app, f"name{n}@gasket.example", address=f"2001:db8::{n:x}") for n in range(21)]
    assert outcomes[-1] == "wait 2"
    assert guess(app, NOBODY, address="2001:db8:0:1::1") == "refused"


def test_waits_grow_to_a_quarter_of_an_hour_and_are_forgotten_in_a_day(app: WeakspotApp) -> None:
    waits = [wait_after(n, 4).total_seconds() for n in (4, 5, 6, 10, 13, 14, 10_000)]
    assert waits == [0, 2, 4, 64, 512, 900, 900]
    for _ in range(5):
        guess(app, MARA)
    assert guess(app, MARA, after=24 * 3600 + 1) == "refused"
    with app.database.read() as session:
        assert {row.failures for row in session.scalars(select(SignInBrake))} == {1}


def test_guesses_at_the_same_time_cannot_overtake_the_count(app: WeakspotApp) -> None:
    outcomes: list[str] = []
    threads = [threading.Thread(target=lambda: outcomes.append(guess(app, MARA))) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["refused"] * 5 + ["wait 2"] * 15


def test_what_was_typed_as_a_name_is_not_kept(app: WeakspotApp) -> None:
    guess(app, "my-password-in-the-wrong-field")
    with app.database.read() as session:
        kept = [getattr(row, c.name) for row in session.scalars(select(SignInBrake)) for c in SignInBrake.__table__.c]
    assert "wrong-field" not in repr(kept)


def test_unknown_names_cost_as_much_as_known_ones(app: WeakspotApp, monkeypatch: pytest.MonkeyPatch) -> None:
    """The hash is what takes time: it is worked out once, whoever is asked for."""
    worked = []
    hasher = passwords.HASHER

    class Counting:
        def verify(self, kept: str, password: str) -> bool:
            worked.append(kept.split("$")[3])  # the parameters, which decide how long it takes
            return hasher.verify(kept, password)

        def hash(self, password: str) -> str:
            return hasher.hash(password)

    monkeypatch.setattr(passwords, "HASHER", Counting())
    for name in (MARA, NOBODY, "no name"):
        assert guess(app, name) == "refused"
    assert len(worked) == 3 and len(set(worked)) == 1


def test_pages_answer_the_same_for_both(stranger: Visitor) -> None:
    pages = [stranger.sign_in(name, "wrong wrong wrong") for name in (MARA, NOBODY)]
    assert [page.status_code for page in pages] == [422, 422]
    said = [page.get_data(as_text=True).replace(name, "") for page, name in zip(pages, (MARA, NOBODY), strict=True)]
    assert [text.count("do not belong together") for text in said] == [1, 1]
    for _ in range(4):
        stranger.sign_in(NOBODY, "wrong wrong wrong")
    last = stranger.sign_in(NOBODY, "wrong wrong wrong")
    assert (last.status_code, last.headers["Retry-After"]) == (429, "2")
