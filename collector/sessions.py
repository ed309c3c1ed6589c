"""Who is signed in where. Of the token that a browser holds only the SHA-256 is kept. Outside the ledger.

All times are the real clock's, also in a rehearsal: they concern the person before the screen.
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
from typing import NamedTuple

from collector import sign_ins
from collector.record import shelf
from collector.record.things import Person
from collector.sign_ins import Outcome

BADGE_IDLE_MS = 10 * 60_000
"""At a shared tablet: gloves on, called away, the next one comes. Our own choice."""

PASSWORD_IDLE_MS = 30 * 60_000
"""NIST SP 800-63B 4.2.3 (AAL2): 30 minutes without activity."""

LONGEST_MS = 12 * 3_600_000
"""NIST SP 800-63B 4.2.3 (AAL2): 12 hours, whatever the activity."""

PROVEN_MS = 5 * 60_000
"""For how long a PIN or password given counts for the deeds that ask for one. Our own choice."""

MOST_PER_PERSON = 50
"""Of one person at once; the oldest ends first. Our own choice."""

_TOUCH_MS = 20_000
_CLOCK_BACK_MS = 60_000


class Session(NamedTuple):
    """Somebody signed in.

    Attributes:
        person: Who, as they are at present.
        second_factor: They have given PIN or password a short while ago.
        stale: It is worth noting that it is in use: see `touch`.
    """

    person: Person
    second_factor: bool
    stale: bool


def begin(connection: sqlite3.Connection, person: str, now_ms: int, *, idle_ms: int, proven: bool) -> str:
    """Sign a person in; sessions that are over are cleared away. Within the caller's transaction if there is one.

    Returns:
        The token: 256 random bits.
    """
    own = connection.in_transaction
    token = secrets.token_urlsafe(32)
    over = connection.execute(
        """SELECT token_sha256, person, min(seen_ms + idle_ms, began_ms + ?2) AS ended_ms FROM session
           WHERE ended_ms < ?1 ORDER BY ended_ms""",
        (now_ms, LONGEST_MS),
    ).fetchall()
    over += connection.execute(
        """SELECT token_sha256, person, ?2 FROM session WHERE person = ?1 AND token_sha256 NOT IN (
               SELECT token_sha256 FROM session WHERE person = ?1 ORDER BY began_ms DESC LIMIT ?3)""",
        (person, now_ms, MOST_PER_PERSON - 1),
    ).fetchall()
    for token_sha256, whose, ended_ms in over:
        if connection.execute("DELETE FROM session WHERE token_sha256 = ?", (token_sha256,)).rowcount:
            sign_ins.note(connection, Outcome.ENDED, ended_ms, person=whose)
    connection.execute(
        "INSERT INTO session (token_sha256, person, began_ms, seen_ms, idle_ms, proven_ms) VALUES (?, ?, ?, ?, ?, ?)",
        (_digest(token), person, now_ms, now_ms, idle_ms, now_ms if proven else None),
    )
    if not own:
        connection.commit()
    return token


def find(connection: sqlite3.Connection, token: str, now_ms: int) -> Session | None:
    """Who is signed in with a token; None if it is over, or the person has left or has no role any more."""
    row = connection.execute(
        "SELECT person, began_ms, seen_ms, idle_ms, proven_ms FROM session WHERE token_sha256 = ?", (_digest(token),)
    ).fetchone()
    if row is None:
        return None
    person_id, began_ms, seen_ms, idle_ms, proven_ms = row
    set_back = now_ms < seen_ms - _CLOCK_BACK_MS  # nobody knows how long it has rested then
    if set_back or now_ms - seen_ms > idle_ms or now_ms - began_ms > LONGEST_MS:
        return None
    person = shelf.find(connection, Person, person_id)
    if person is None or not person.active or not person.roles:
        return None
    proven = proven_ms is not None and now_ms - proven_ms <= PROVEN_MS
    return Session(person, proven, now_ms - seen_ms > _TOUCH_MS)


def touch(connection: sqlite3.Connection, token: str, now_ms: int) -> None:
    """It is in use."""
    connection.execute("UPDATE session SET seen_ms = ? WHERE token_sha256 = ?", (now_ms, _digest(token)))
    connection.commit()


def prove(connection: sqlite3.Connection, token: str, now_ms: int) -> None:
    """The person has just given their PIN or password."""
    connection.execute(
        "UPDATE session SET seen_ms = ?, proven_ms = ? WHERE token_sha256 = ?", (now_ms, now_ms, _digest(token))
    )
    connection.commit()


def end(connection: sqlite3.Connection, token: str) -> None:
    """Sign out; within the caller's transaction if there is one."""
    own = connection.in_transaction
    connection.execute("DELETE FROM session WHERE token_sha256 = ?", (_digest(token),))
    if not own:
        connection.commit()


def end_all(connection: sqlite3.Connection, person: str, now_ms: int, but: str = "") -> None:
    """Sign a person out everywhere, but for one token: they ask for it, or a badge, PIN or password has changed.

    Within the caller's transaction if there is one.
    """
    own = connection.in_transaction
    ended = connection.execute(
        "DELETE FROM session WHERE person = ? AND token_sha256 <> ?", (person, _digest(but))
    ).rowcount
    for _ in range(ended):
        sign_ins.note(connection, Outcome.ENDED, now_ms, person=person)
    if not own:
        connection.commit()


class Open(NamedTuple):
    """A session of one's own, as a person is shown it.

    Attributes:
        began_ms: When they signed in.
        seen_ms: When it was last in use, to some seconds.
        here: It is the one in which they ask.
    """

    began_ms: int
    seen_ms: int
    here: bool


def open_sessions(connection: sqlite3.Connection, person: str, token: str, now_ms: int) -> list[Open]:
    """Where else a person is signed in, the newest first."""
    return [
        Open(began_ms, seen_ms, token_sha256 == _digest(token))
        for token_sha256, began_ms, seen_ms in connection.execute(
            """SELECT token_sha256, began_ms, seen_ms FROM session
               WHERE person = ?1 AND min(seen_ms + idle_ms, began_ms + ?3) >= ?2 ORDER BY began_ms DESC""",
            (person, now_ms, LONGEST_MS),
        )
    ]


def form_token(token: str) -> str:
    """What a form of this session carries, so that no other page can send it; known from the token alone."""
    return hashlib.sha256(f"soakledger/form/1\n{token}".encode()).hexdigest()


def _digest(token: str) -> str:
    return hashlib.sha256(f"soakledger/session/1\n{token}".encode()).hexdigest()
