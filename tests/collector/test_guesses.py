"""Guessing at somebody's secret: how much of it there can be, and that it keeps nobody waiting at their own tablet."""

from __future__ import annotations

import argon2
import pytest
from record_kit import TECHNICIAN, Recording

from collector import browsers, credentials, guesses, sign_ins
from collector.credentials import Kind
from collector.sign_ins import Outcome, Place

NOW_MS = 1_700_000_000_000
PIN, WRONG_PIN = "836152", "529471"
HOUR_MS = 3_600_000
TABLET, OTHER_TABLET = browsers.digest("tablet"), browsers.digest("other")


@pytest.fixture(autouse=True)
def fast(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of tries."""
    hasher = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(credentials, "_HASHER", hasher)
    monkeypatch.setattr(credentials, "_NOBODYS", hasher.hash("nobody's"))


class Door:
    """Somebody's PIN, tried at a time of the test."""

    def __init__(self, recording: Recording) -> None:
        self.connection, self.now_ms = recording.desk.connection, NOW_MS
        self.connection.execute("PRAGMA synchronous = OFF")
        credentials.set_secret(self.connection, TECHNICIAN, Kind.PIN, PIN)

    def known(self, browser: str, kind: str = Kind.PIN) -> None:
        browsers.remember(self.connection, browser, TECHNICIAN, kind, self.now_ms)
        self.connection.commit()

    def give(self, secret: str, browser: str = "") -> bool:
        return credentials.check(self.connection, TECHNICIAN, secret, self.now_ms, browser=browser)

    def failures(self) -> int:
        """How many guesses have been compared, of those that are still counted."""
        ((strangers,),) = self.connection.execute("SELECT failures FROM credential").fetchall()
        ((at_browsers,),) = self.connection.execute("SELECT ifnull(sum(failures), 0) FROM known_browser").fetchall()
        return int(strangers + at_browsers)

    def guess_for_years(self, *browsers_: str) -> None:
        """As often as the rule lets anybody, for as long as it lets them."""
        for browser in browsers_:
            for _ in range(65):
                self.give(WRONG_PIN, browser)
                self.now_ms += HOUR_MS


@pytest.fixture
def door(recording: Recording) -> Door:
    return Door(recording)


def test_strangers_keep_nobody_waiting_where_they_are_known(door: Door) -> None:
    """Not even when only a new secret would help strangers; and what they guessed goes on counting."""
    door.known(TABLET)
    door.guess_for_years("")
    assert door.failures() == guesses.MOST_OF_STRANGERS
    assert not door.give(PIN)
    assert not door.give(PIN, browsers.digest("forged"))
    assert door.give(PIN, TABLET)
    assert not door.give(PIN)
    assert not door.give(PIN, OTHER_TABLET)


def test_a_stolen_badge_makes_no_tablet_unknown(door: Door) -> None:
    """Signing in with it elsewhere, again and again, takes nothing from where its owner has given their PIN."""
    door.known(TABLET)
    for number in range(browsers.MOST_PER_PERSON + 5):
        door.now_ms += HOUR_MS
        door.known(browsers.digest(f"elsewhere {number}"), browsers.BADGE)
    door.guess_for_years("")
    assert door.give(PIN, TABLET)
    assert door.connection.execute("SELECT count(DISTINCT browser) FROM known_browser").fetchone() == (20,)


def test_guesses_at_a_known_browser_wait_too_and_keep_nobody_else_waiting(door: Door) -> None:
    """A colleague at the shared tablet makes its owner wait there, no longer than the rule says, and nowhere else."""
    door.known(TABLET)
    door.known(OTHER_TABLET)
    for _ in range(6):
        door.give(WRONG_PIN, TABLET)
    assert door.failures() == 5
    assert credentials.wait_ms(door.connection, TECHNICIAN, Kind.PIN, door.now_ms, browser=TABLET) == 30_000
    assert not door.give(PIN, TABLET)
    assert door.give(PIN, OTHER_TABLET)
    assert door.give(PIN)
    door.now_ms += 30_000
    assert door.give(PIN, TABLET)
    assert door.failures() == 0


def test_there_are_no_more_than_a_hundred_guesses_in_a_row_wherever_they_are_made(door: Door) -> None:
    """NIST SP 800-63B 5.2.2; however many tablets know the person."""
    tablets = [browsers.digest(str(number)) for number in range(7)]
    for each in tablets:
        door.known(each)
    door.guess_for_years(*tablets, "")
    assert door.failures() == 100
    door.connection.execute("UPDATE known_browser SET seen_ms = ?", (door.now_ms,))  # in use all the while
    assert not any(door.give(PIN, each) for each in ("", *tablets[:2]))
    credentials.set_secret(door.connection, TECHNICIAN, Kind.PIN, WRONG_PIN)
    assert door.give(WRONG_PIN, tablets[0])
    assert door.give(WRONG_PIN)


def test_after_ten_guesses_a_browser_is_no_better_than_a_stranger(door: Door) -> None:
    door.known(TABLET)
    for _ in range(guesses.MOST_AT_A_BROWSER):
        assert not door.give(WRONG_PIN, TABLET)
        door.now_ms += HOUR_MS
    door.guess_for_years("")
    assert not door.give(PIN, TABLET)


def test_a_badge_alone_makes_no_browser_known(door: Door) -> None:
    """Or a stolen badge would get fresh guesses at its PIN with every new cookie."""
    door.known(TABLET, browsers.BADGE)
    door.guess_for_years("")
    assert not door.give(PIN, TABLET)


def test_a_right_pin_makes_the_browser_known_at_which_a_badge_signed_in_before(door: Door) -> None:
    """Given with a deed, for instance; one that somebody else has set does not."""
    door.known(TABLET, browsers.BADGE)
    assert door.give(PIN, TABLET)
    assert browsers.is_proven(door.connection, TABLET, TECHNICIAN)
    door.known(OTHER_TABLET, browsers.BADGE)
    credentials.set_secret(door.connection, TECHNICIAN, Kind.PIN, PIN, temporary=True)
    assert door.give(PIN, OTHER_TABLET)
    assert not browsers.is_proven(door.connection, OTHER_TABLET)


def test_browsers_are_few_and_only_of_those_who_signed_in(door: Door) -> None:
    """Whoever only guesses, with whatever cookie, leaves no row; of many tablets the newest stay."""
    for number in range(30):
        door.give(WRONG_PIN, browsers.digest(f"forged {number}"))
    assert door.connection.execute("SELECT count(*) FROM known_browser").fetchone() == (0,)
    for number in range(25):
        door.now_ms += HOUR_MS
        door.known(browsers.digest(str(number)))
    held = {row for (row,) in door.connection.execute("SELECT browser FROM known_browser")}
    assert held == {browsers.digest(str(number)) for number in range(5, 25)}
    door.now_ms += browsers.KEPT_S * 1_000 + 1
    door.known(TABLET)
    assert door.connection.execute("SELECT browser FROM known_browser").fetchall() == [(TABLET,)]


def test_failures_alike_are_one_row_and_a_flood_is_one_more(door: Door) -> None:
    """Ten minutes long; of unknown ids nothing is kept that was typed."""

    def failed(count: int, person: str, address: str) -> None:
        for _ in range(count):
            sign_ins.note(
                door.connection, Outcome.WRONG, door.now_ms, person=person, how="password", place=Place(address)
            )

    failed(3, "tina", "10.0.0.1")
    failed(2, "tina", "10.0.0.2")
    door.now_ms += sign_ins.TOGETHER_MS - 1
    failed(1, "tina", "10.0.0.1")
    assert [(each.address, each.times) for each in sign_ins.rows(door.connection)] == [("10.0.0.2", 2), ("10.0.0.1", 4)]
    door.now_ms += 1
    failed(1, "tina", "10.0.0.1")
    for number in range(500):
        failed(1, f"person-{number % 50}", f"10.1.0.{number % 250}")
    found = sign_ins.rows(door.connection, most=1_000)
    assert len(found) <= 2 + sign_ins._MOST_APART + 1
    assert sum(each.times for each in found) == 507
    assert (found[0].person, found[0].address) == ("", sign_ins.MANY)


def test_the_same_over_and_over_pushes_nothing_out(door: Door) -> None:
    for _ in range(200):
        sign_ins.note(door.connection, Outcome.SIGNED_IN, door.now_ms, person="tina", how="badge")
    found = sign_ins.rows(door.connection, most=1_000)
    assert (len(found), sum(each.times for each in found)) == (sign_ins._MOST_APART, 200)


def test_the_oldest_rows_go(door: Door) -> None:
    """The table itself holds to how many."""
    door.connection.execute(
        """WITH RECURSIVE n(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < 100000)
           INSERT INTO sign_in SELECT n, n, 'tom', 'badge', 'signed in', '', '', 1, n FROM n"""
    )
    assert door.connection.execute("SELECT min(number), max(number) FROM sign_in").fetchone() == (1, 100_000)
    sign_ins.note(door.connection, Outcome.SIGNED_IN, door.now_ms, person="tina", how="badge")
    assert door.connection.execute("SELECT min(number), max(number) FROM sign_in").fetchone() == (2, 100_001)
    assert [each.number for each in sign_ins.rows(door.connection, person="tina")] == [100_001]
