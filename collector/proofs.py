"""Signing in and setting badges, PINs and passwords, with the rules of who may: for pages, API and commands alike.

What opens anything stays outside the ledger; that it was set, by whom and for whom, is a record.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from collector import credentials
from collector.credentials import Kind
from collector.guesses import WAITING_RULE
from collector.ledger import COLLECTOR, Ledger
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.things import Person, Role
from collector.sessions import end_all

CREDENTIAL_SET = "credential-set"
"""Kind of record: a badge, PIN or password was set; never what it is."""


class Proven(NamedTuple):
    """Somebody proved who they are.

    Attributes:
        person: Who.
        second_factor: With something they know, which they chose themselves.
    """

    person: Person
    second_factor: bool


def by_badge(desk: Desk, badge: str, pin: str, now_ms: int, *, browser: str = "") -> Proven:
    """Who holds a badge, with or without their PIN.

    Args:
        desk: Where.
        badge: As scanned.
        pin: As typed; may be empty.
        now_ms: The real clock.
        browser: The digest of the browser's token; empty without one.

    Raises:
        RefusedError: It opens nothing, or the PIN does not fit.
    """
    owner = credentials.person_of_badge(desk.connection, badge)
    person = _working(desk.connection, owner) if owner else None
    if person is None:
        raise unknown_badge()
    if not pin:
        return Proven(person, second_factor=False)
    if not credentials.check(desk.connection, person.id, pin, now_ms, Kind.PIN, browser=browser):
        raise wrong(desk.connection, person.id, Kind.PIN, now_ms, browser)
    return Proven(person, not credentials.is_temporary(desk.connection, person.id, Kind.PIN))


def by_password(desk: Desk, person_id: str, password: str, now_ms: int, *, browser: str = "") -> Proven:
    """Who gives this id and password: one answer for all that does not fit, so that nobody learns who works here.

    Raises:
        RefusedError: They do not fit, or must wait.
    """
    good = credentials.check(desk.connection, person_id, password, now_ms, Kind.PASSWORD, browser=browser)
    person = _working(desk.connection, person_id)
    if not good or person is None:
        raise RefusedError(
            "wrong-secret",
            f"Id and password do not fit. {WAITING_RULE}",
            "Try again, or ask an administrator to set a new password.",
        )
    return Proven(person, not credentials.is_temporary(desk.connection, person_id, Kind.PASSWORD))


def compare(desk: Desk, person_id: str, secret: str, now_ms: int, *, browser: str = "") -> None:
    """Compare a PIN or password of somebody who is known to be here, as a second factor.

    Raises:
        RefusedError: It does not fit, or somebody else has chosen it.
    """
    kind = credentials.kind_of(secret)
    if not credentials.check(desk.connection, person_id, secret, now_ms, kind, browser=browser):
        raise wrong(desk.connection, person_id, kind, now_ms, browser)
    if credentials.is_temporary(desk.connection, person_id, kind):
        raise RefusedError(
            "temporary",
            f"This {_word(kind)} was set by somebody else, so it proves nothing yet.",
            "Change it first: that takes the present one and a new one.",
        )


def set_own(
    desk: Desk,
    person_id: str,
    kind: Kind,
    *,
    secret: str,
    current: str,
    now_ms: int,
    but: str = "",
    browser: str = "",
) -> None:
    """Change one's own PIN or password; their sessions end, but for one.

    Args:
        desk: Where.
        person_id: Who.
        kind: Which of the two.
        secret: The new one.
        current: The present one, or the present other one.
        now_ms: The real clock.
        but: Token of the session in which they do it.
        browser: The digest of the token of the browser at which they do it.

    Raises:
        RefusedError: The present one does not fit, or the new one would be guessed.
    """
    credentials.refuse_weak(person_id, kind, secret)
    held = credentials.kind_of(current)
    if not credentials.check(desk.connection, person_id, current, now_ms, held, browser=browser):
        raise wrong(desk.connection, person_id, held, now_ms, browser)
    if held is kind and secret == current:
        raise RefusedError("same-secret", f"That is the present {_word(kind)}.", "Choose another one.")
    with desk.transaction():
        credentials.set_secret(desk.connection, person_id, kind, secret, now_ms)
        _record(desk, person_id, person_id, kind)
        end_all(desk.connection, person_id, now_ms, but)


def set_others(desk: Desk, who: str, person_id: str, kind: Kind, *, secret: str, now_ms: int) -> None:
    """Set somebody's PIN or password for them: it proves nothing until they have changed it.

    Args:
        desk: Where.
        who: The administrator, or "collector" for whoever sits at the machine itself.
        person_id: For whom.
        kind: Which of the two.
        secret: The new one.
        now_ms: The real clock.

    Raises:
        RefusedError: They may not, there is no such person, or the new one would be guessed.
    """
    credentials.refuse_weak(person_id, kind, secret)
    with desk.transaction():
        _refuse_all_but_administrators(desk, who, person_id)
        credentials.set_secret(desk.connection, person_id, kind, secret, now_ms, temporary=True)
        _record(desk, who, person_id, kind)
        end_all(desk.connection, person_id, now_ms)


def give_badge(desk: Desk, who: str, person_id: str, now_ms: int, *, but: str = "") -> str:
    """Give somebody a new badge; the one before opens nothing any more, and their sessions end.

    Args:
        desk: Where.
        who: The administrator, or "collector" for whoever sits at the machine itself.
        person_id: For whom.
        now_ms: The real clock.
        but: Token of a session that stays: the administrator's own.

    Returns:
        The code, to be shown or printed once.

    Raises:
        RefusedError: They may not, or there is no such person.
    """
    with desk.transaction():
        return give_badge_within(desk, who, person_id, now_ms, but=but)


def give_badge_within(desk: Desk, who: str, person_id: str, now_ms: int, *, but: str = "") -> str:
    """The same within a transaction of the caller's."""
    _refuse_all_but_administrators(desk, who, person_id)
    code = credentials.new_badge(desk.connection, person_id, now_ms)
    _record(desk, who, person_id, Kind.BADGE)
    end_all(desk.connection, person_id, now_ms, but)
    return code


def set_first(desk: Desk, person_id: str, password: str, now_ms: int) -> None:
    """The password of the first administrator, who types it themselves; within the caller's transaction."""
    credentials.set_secret(desk.connection, person_id, Kind.PASSWORD, password, now_ms)
    _record(desk, person_id, person_id, Kind.PASSWORD)


def must_change(connection: sqlite3.Connection, person_id: str) -> list[str]:
    """What somebody else has set for a person, who has not changed it yet."""
    kinds = credentials.has(connection, person_id)
    return [kind.value for kind in kinds if credentials.is_temporary(connection, person_id, kind)]


def wrong(connection: sqlite3.Connection, person_id: str, kind: Kind, now_ms: int, browser: str = "") -> RefusedError:
    """What is said of a PIN or password that does not fit."""
    wait_s = -(-credentials.wait_ms(connection, person_id, kind, now_ms, browser=browser) // 1000)
    step = f"Wait {wait_s} s, then try again." if wait_s else "Try again."
    return RefusedError("wrong-secret", f"That {_word(kind)} does not fit. {WAITING_RULE}", step)


def unknown_badge() -> RefusedError:
    """What is said of a badge that opens nothing."""
    return RefusedError(
        "unknown-badge",
        "That badge opens nothing here.",
        "Scan it again; if it was replaced use the newer one, else ask an administrator for one.",
    )


def _refuse_all_but_administrators(desk: Desk, who: str, person_id: str) -> None:
    if shelf.find(desk.connection, Person, person_id) is None:
        raise UnknownThingError(Person.KIND, person_id)
    if who == COLLECTOR:
        return
    person = _working(desk.connection, who)
    if person is None or Role.ADMINISTRATOR not in person.roles:
        raise RefusedError(
            "role", "Only an administrator gives badges and sets what others sign in with.", "Ask an administrator."
        )


def _record(desk: Desk, who: str, person_id: str, kind: Kind) -> None:
    Ledger(desk.connection, desk.clock).append(
        CREDENTIAL_SET,
        {"about": f"{Person.KIND}/{person_id}", "said": {"person": person_id, "kind": kind.value}},
        who=who,
    )


def _working(connection: sqlite3.Connection, person_id: str) -> Person | None:
    person = shelf.find(connection, Person, person_id)
    return person if person and person.active and person.roles else None


def _word(kind: Kind) -> str:
    return "PIN" if kind is Kind.PIN else "password"
