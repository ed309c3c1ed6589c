"""Somebody who knows every id and sits at the clinic's own address cannot keep its technicians out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import argon2
import pytest
from doorkit import ADA, HOST, PASSWORD, PEOPLE, PINS, TINA, TOM, Browser, House, refused
from litestar.testing import TestClient

from collector import browsers, credentials, guesses
from dashboard import tries
from dashboard.tries import Tries, Whose

COOKIE = "soakledger-browser"
NEVER = "never the right password"


@pytest.fixture
def client(house: House, monkeypatch: pytest.MonkeyPatch) -> Iterator[Browser]:
    """One server for all seats: hundreds of guesses, so hashes are made quickly."""
    hasher = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(credentials, "_HASHER", hasher)
    monkeypatch.setattr(credentials, "_NOBODYS", hasher.hash("nobody's"))
    with TestClient(house.app(), base_url=f"http://{HOST}") as client:
        yield client


class Seat:
    """A browser with cookies of its own, at the address that all share."""

    def __init__(self, client: Browser, token: str = "") -> None:
        self._client = client
        self.cookies = {COOKIE: token} if token else {}

    def post(self, path: str, json: Any = None) -> Any:
        self._client.cookies.clear()
        for name, value in self.cookies.items():
            self._client.cookies.set(name, value, domain="127.0.0.1", path="/")
        answer = self._client.post(path, json=json)
        self.cookies = dict(self._client.cookies)
        return answer


def by_password(browser: Seat, person: str, password: str) -> Any:
    return browser.post("/api/sign-in", json={"person": person, "password": password})


def by_badge(browser: Seat, house: House, person: str, pin: str = "") -> Any:
    return browser.post("/api/sign-in", json={"badge": house.badges[person], "pin": pin})


def flood(browser: Seat, count: int) -> list[int]:
    """Guesses for everybody, and for ids that are nobody's."""
    ids = [*PEOPLE, "nobody", "x" * 200]
    return [by_password(browser, ids[number % len(ids)], NEVER).status_code for number in range(count)]


def known(client: Browser, house: House) -> str:
    """The token of the shared tablet, at which Tina and Ada have given PIN and password before."""
    tablet = Seat(client)
    assert by_badge(tablet, house, TINA, PINS[TINA]).status_code == 200
    assert by_password(tablet, ADA, PASSWORD).status_code == 200
    return tablet.cookies[COOKIE]


def test_who_knows_all_ids_and_shares_the_address_keeps_nobody_out(house: House, client: Browser) -> None:
    token = known(client, house)
    attacker, tablet, new_tablet = Seat(client), Seat(client, token), Seat(client)
    statuses = flood(attacker, 60)
    assert statuses == [401] * tries.MOST_FAILURES + [429] * 30  # no more than so many are compared
    assert by_badge(tablet, house, TINA, PINS[TINA]).json()["second_factor"] is True
    assert by_password(tablet, ADA, PASSWORD).json()["second_factor"] is True
    # At a tablet that nobody has signed in at, the badge still opens; what can be guessed has to wait.
    assert by_badge(new_tablet, house, TOM).status_code == 200
    assert refused(by_badge(new_tablet, house, TOM, PINS[TOM]), 429)[0] == "too-many-tries"
    # For weeks on end: strangers are locked out for good, the tablet never.
    for _ in range(guesses.MOST_OF_STRANGERS + 5):
        house.now_ms += 3_600_000
        by_password(attacker, ADA, NEVER)
    assert house.ask("SELECT failures FROM credential WHERE person = 'ada' AND kind = 'password'") == [
        (guesses.MOST_OF_STRANGERS,)
    ]
    assert refused(by_password(attacker, ADA, PASSWORD), 401)[0] == "wrong-secret"
    assert by_password(tablet, ADA, PASSWORD).status_code == 200
    assert by_badge(tablet, house, TINA, PINS[TINA]).status_code == 200
    # What ends it for new tablets too is a new password, set where she is known.
    assert by_password(tablet, ADA, PASSWORD).status_code == 200
    new = "seven herons cross the bay"
    assert tablet.post("/api/me/password", json={"secret": new, "current": PASSWORD}).status_code == 200
    house.now_ms += 3_600_000
    assert by_password(Seat(client), ADA, new).status_code == 200


def test_no_cookie_but_one_that_was_earned_is_worth_anything(house: House, client: Browser) -> None:
    """Neither an invented one nor one that a badge alone brought."""
    thief = Seat(client)
    assert by_badge(thief, house, TINA).status_code == 200
    earned_by_badge = thief.cookies[COOKIE]
    tokens = [browsers.new_token(), "", "x" * 4_000, earned_by_badge]
    for token in tokens:
        attacker = Seat(client, token)
        flood(attacker, tries.MOST_FAILURES // len(tokens) + 1)
    for token in tokens:
        attacker = Seat(client, token)
        assert by_password(attacker, ADA, PASSWORD).status_code == 429
    assert {row for (row,) in house.ask("SELECT browser FROM known_browser")} == {browsers.digest(earned_by_badge)}


def test_a_tablet_keeps_its_cookie_when_people_come_and_go(house: House, client: Browser) -> None:
    """It is drawn here, never taken from whoever brings one; signing out does not take it away."""
    tablet = Seat(client, "planted")
    by_badge(tablet, house, TINA)
    token = tablet.cookies[COOKIE]
    assert token != "planted"  # noqa: S105
    tablet.post("/api/sign-out")
    by_badge(tablet, house, TOM, PINS[TOM])
    assert tablet.cookies[COOKIE] == token
    assert (token, "planted") not in house.ask("SELECT browser, kind FROM known_browser")
    assert house.ask("SELECT person, kind, browser FROM known_browser ORDER BY person") == [
        ("tina", "badge", browsers.digest(token)),
        ("tom", "pin", browsers.digest(token)),
    ]


def test_a_known_tablet_is_limited_by_itself(house: House, client: Browser) -> None:
    """Whoever sits at it can guess no more than from an address, and keeps only it waiting."""
    token = known(client, house)
    tablet, other = Seat(client, token), Seat(client)
    assert flood(tablet, tries.MOST_FAILURES + 1)[-1] == 429
    assert refused(by_password(tablet, ADA, PASSWORD), 429)[1] == (
        "There were 30 failed sign-ins at this browser within 5 minutes."
    )
    assert by_password(other, ADA, NEVER).status_code == 401


def test_answers_do_not_tell_who_works_here(house: House, client: Browser) -> None:
    """Ids that are, that are not, and that have to wait: the same words and the same number of writes."""
    said = set()
    attacker = Seat(client)
    for _ in range(7):
        house.now_ms += tries.FAILURES_WITHIN_MS
        for person in (ADA, TINA, "nobody"):
            answer = by_password(attacker, person, NEVER)
            said.add((answer.status_code, answer.text, tuple(answer.headers)))
    assert len(said) == 1
    rows = house.ask("SELECT person, outcome, sum(times) FROM sign_in GROUP BY 1, 2 ORDER BY 1, 2")
    # Tina has no password: that is a wrong one. Waiting begins after five; five minutes lie between two tries.
    assert rows == [("", "unknown", 7), ("ada", "wrong", 7), ("tina", "wrong", 7)]
    assert "nobody" not in str(house.ask("SELECT * FROM sign_in"))


def test_failures_are_kept_in_little_memory_and_of_all_addresses_together() -> None:
    """An IPv6 network is one address; a flood of addresses waits together, who is known does not."""
    held = Tries()
    for number in range(2**8):
        held.failed(Whose(f"2001:db8::{number:x}"), 1_000)
    assert len(held._failures) == 2
    assert len(held._failures["2001:db8::/64"]) == tries.MOST_FAILURES
    for number in range(12_000):
        held.failed(Whose(f"10.{number >> 8}.{number & 255}.1"), 2_000)
    assert len(held._failures) == 10_000
    assert sum(map(len, held._failures.values())) < 12_000
    with pytest.raises(Exception, match="300 failed sign-ins from browsers unknown here within 5 minutes"):
        held.refuse(Whose("192.0.2.1"), 3_000)
    held.refuse(Whose("192.0.2.1", "known"), 3_000)
    held.refuse(Whose("192.0.2.1"), 3_000 + tries.FAILURES_WITHIN_MS)
