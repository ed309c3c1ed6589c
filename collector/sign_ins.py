"""The record of sign-ins: who signed in, how, where from, and who tried to. Outside the ledger, as credentials are.

It says who used the pages, not what was done to a device, and holds addresses of people's machines: it is kept for a
number of rows and then goes, while the ledger stays for ever. What is no sign-in here: a PIN or password given again
for one deed, which the deed's own record shows.
"""

from __future__ import annotations

import enum
import sqlite3
from typing import NamedTuple

MOST_ROWS = 100_000
"""The oldest go beyond that, as the table's trigger has it."""

TOGETHER_MS = 10 * 60_000
"""Failures of one person at one address within so long are one row with a count."""

_MOST_APART = 30
"""More rows of failures within that time become one of unnamed people and places: guessing fills no record."""

_RECENT = "number > (SELECT max(number) FROM sign_in) - 2000 AND at_ms > ? AND at_ms <= ?"
"""Looks at the end of the table only."""

MANY = "many"
"""Stands for the address then."""


class Outcome(enum.StrEnum):
    """How it went."""

    SIGNED_IN = "signed in"
    WRONG = "wrong"
    WAITING = "had to wait"
    UNKNOWN = "unknown"
    SIGNED_OUT = "signed out"
    ENDED = "ended"


FAILED = (Outcome.WRONG, Outcome.WAITING, Outcome.UNKNOWN)


class Place(NamedTuple):
    """Where somebody is.

    Attributes:
        address: Of their machine; empty where it is not known.
        browser: The digest of their browser's token; empty without one.
    """

    address: str = ""
    browser: str = ""


class SignIn(NamedTuple):
    """One row.

    Attributes:
        number: Dense from 1; the oldest are gone.
        at_ms: When, or when the first of several was: the real clock, milliseconds since 1970.
        person: Id; empty where there is no such person.
        how: badge, badge and PIN, password; empty where nothing was given.
        outcome: How it went.
        address: Where from.
        browser: The first eight digits of the digest of the browser's token: whether two rows are of one browser.
        times: So many alike.
        last_ms: When the last of them was.
    """

    number: int
    at_ms: int
    person: str
    how: str
    outcome: Outcome
    address: str
    browser: str
    times: int
    last_ms: int


def failures(connection: sqlite3.Connection) -> int:
    """How many sign-ins failed, as far as the record goes back."""
    places = ", ".join("?" * len(FAILED))
    row = connection.execute(f"SELECT ifnull(sum(times), 0) FROM sign_in WHERE outcome IN ({places})", FAILED)  # noqa: S608
    return int(row.fetchone()[0])


def note(
    connection: sqlite3.Connection,
    outcome: Outcome,
    now_ms: int,
    *,
    person: str = "",
    how: str = "",
    place: Place = Place(),  # noqa: B008 - it cannot be changed
) -> None:
    """Add to the record; within the caller's transaction if there is one.

    Args:
        connection: To the database.
        outcome: How it went.
        now_ms: The real clock.
        person: Id of a person who is known; what was typed for one who is not is never kept: it may be a password.
        how: What was given.
        place: Where.
    """
    own = connection.in_transaction
    address, browser = place.address, place.browser[:8]
    row = (
        _alike(connection, outcome, now_ms, (person, how, address, browser))
        if outcome in FAILED
        else _over_and_over(connection, outcome, now_ms, person)
    )
    if row:
        connection.execute(
            "UPDATE sign_in SET times = times + 1, last_ms = max(last_ms, ?) WHERE number = ?", (now_ms, row)
        )
    else:
        if row == _NEW_FOR_MANY:
            person, how, outcome, address, browser = "", "", Outcome.WRONG, MANY, ""
        connection.execute(
            """INSERT INTO sign_in (number, at_ms, person, how, outcome, address, browser, last_ms)
               VALUES ((SELECT ifnull(max(number), 0) + 1 FROM sign_in), ?, ?, ?, ?, ?, ?, ?)""",
            (now_ms, person, how, outcome, address, browser, now_ms),
        )
        connection.execute("DELETE FROM sign_in WHERE number <= (SELECT max(number) FROM sign_in) - ?", (MOST_ROWS,))
    if not own:
        connection.commit()


_NEW_FOR_MANY = 0


def _alike(connection: sqlite3.Connection, outcome: str, now_ms: int, alike: tuple[str, str, str, str]) -> int | None:
    """The row of which this is one more; None: one of its own; `_NEW_FOR_MANY`: one for many has to be begun."""
    rows = connection.execute(
        f"""SELECT number, person, how, address, browser, outcome FROM sign_in
            WHERE {_RECENT} AND outcome IN ('wrong', 'had to wait', 'unknown')""",  # noqa: S608 - of our own
        (now_ms - TOGETHER_MS, now_ms),
    ).fetchall()
    if own := next((row[0] for row in rows if row[1:] == (*alike, outcome)), None):
        return int(own)
    if len(rows) < _MOST_APART:
        return None
    return next((int(row[0]) for row in rows if row[3] == MANY), _NEW_FOR_MANY)


def _over_and_over(connection: sqlite3.Connection, outcome: str, now_ms: int, person: str) -> int | None:
    """The row of which this is one more, where somebody does the same over and over: it pushes nothing out."""
    count, newest = connection.execute(
        f"SELECT count(*), max(number) FROM sign_in WHERE {_RECENT} AND person = ? AND outcome = ?",  # noqa: S608
        (now_ms - TOGETHER_MS, now_ms, person, outcome),
    ).fetchone()
    return int(newest) if count >= _MOST_APART else None


def rows(
    connection: sqlite3.Connection, *, person: str | None = None, before: int | None = None, most: int = 100
) -> list[SignIn]:
    """The newest first.

    Args:
        connection: To the database.
        person: Of one person only; an empty id: of nobody who is known.
        before: Only what has a lower number.
        most: So many at most.
    """
    found = connection.execute(
        """SELECT number, at_ms, person, how, outcome, address, browser, times, last_ms FROM sign_in
           WHERE (?1 IS NULL OR person = ?1) AND (?2 IS NULL OR number < ?2) ORDER BY number DESC LIMIT ?3""",
        (person, before, most),
    ).fetchall()
    return [SignIn(*row)._replace(outcome=Outcome(row[4])) for row in found]
