"""How often somebody may be wrong about a person's PIN or password, and how long they wait.

Tries at browsers at which the person has proven who they are count there; all others count together. So whoever knows
an id and guesses from elsewhere makes nobody wait at their own tablet, and guesses no faster than the rule.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from collector import browsers

FREE_FAILURES = 4
_FIRST_WAIT_MS = 30_000
_LONGEST_WAIT_MS = 60 * 60_000

MOST_OF_STRANGERS = 50
MOST_AT_A_BROWSER = 10
MOST_AT_BROWSERS = 50
"""NIST SP 800-63B 5.2.2: no more than 100 failures in a row on one account; strangers and browsers add up to that.

After ten at one browser, or fifty at all of theirs, a person's tries there count with those of strangers; after fifty
of strangers only a new secret helps there."""

WAITING_RULE = (
    "After five wrong ones in a row each further try has to wait: 30 seconds at first, twice as long each time, "
    "an hour at most."
)


class Count(NamedTuple):
    """Failures in a row at one place.

    Attributes:
        browser: The digest of the browser they are counted at; empty: those of strangers.
        failures: How many.
        failed_ms: When the last one was.
    """

    browser: str
    failures: int
    failed_ms: int | None

    def wait_ms(self, now_ms: int) -> int:
        """How long the next try has to wait; 0 if it need not."""
        if self.failures <= FREE_FAILURES or self.failed_ms is None:
            return 0
        whole_ms = min(_FIRST_WAIT_MS << (self.failures - FREE_FAILURES - 1), _LONGEST_WAIT_MS)
        since_ms = now_ms - self.failed_ms
        # A clock that was set back must not lock somebody out for as long as it was set back.
        return whole_ms if since_ms < 0 else max(0, whole_ms - since_ms)

    def open(self, now_ms: int) -> bool:
        """A try is compared at all."""
        return not self.wait_ms(now_ms) and (bool(self.browser) or self.failures < MOST_OF_STRANGERS)


def count(connection: sqlite3.Connection, person: str, kind: str, browser: str) -> Count:
    """The failures with which a try would be counted.

    Args:
        connection: To the database.
        person: Whose secret is tried.
        kind: PIN or password.
        browser: The digest of the browser's token, whatever it is worth; empty without one.
    """
    if browsers.is_proven(connection, browser, person):
        at, here, failed_ms = connection.execute(
            """SELECT ifnull(sum(failures), 0), ifnull(sum(failures) FILTER (WHERE browser = ?1), 0),
                      max(failed_ms) FILTER (WHERE browser = ?1)
               FROM known_browser WHERE person = ?2 AND kind = ?3""",
            (browser, person, kind),
        ).fetchone()
        if here < MOST_AT_A_BROWSER and at < MOST_AT_BROWSERS:
            return Count(browser, here, failed_ms)
    row = connection.execute(
        "SELECT failures, failed_ms FROM credential WHERE person = ? AND kind = ?", (person, kind)
    ).fetchone()
    return Count("", *(row or (0, None)))


def failed(connection: sqlite3.Connection, person: str, kind: str, at: Count, now_ms: int) -> None:
    """One more failure, or a try that is counted before it is compared; within a transaction."""
    if at.browser:
        connection.execute(
            """INSERT INTO known_browser (browser, person, kind, seen_ms, failures, failed_ms) VALUES (?, ?, ?, ?, 1, ?)
               ON CONFLICT DO UPDATE SET failures = failures + 1, failed_ms = excluded.failed_ms""",
            (at.browser, person, kind, now_ms, now_ms),
        )
    else:
        connection.execute(
            "UPDATE credential SET failures = failures + 1, failed_ms = ? WHERE person = ? AND kind = ?",
            (now_ms, person, kind),
        )


def fitted(connection: sqlite3.Connection, person: str, kind: str, at: Count, *, browser: str, now_ms: int) -> None:
    """It was right: failures where it was given are forgotten, those elsewhere are not; within a transaction.

    What strangers have guessed goes on counting when the person signs in at their tablet.
    """
    if not at.browser:
        connection.execute(
            "UPDATE credential SET failures = 0, failed_ms = NULL WHERE person = ? AND kind = ?", (person, kind)
        )
    if at.browser or browsers.is_ours(connection, browser):
        browsers.remember(connection, browser, person, kind, now_ms)


def forget(connection: sqlite3.Connection, person: str, kind: str) -> None:
    """The secret is a new one: nothing of it has been guessed; within a transaction."""
    connection.execute(
        "UPDATE known_browser SET failures = 0, failed_ms = NULL WHERE person = ? AND kind = ?", (person, kind)
    )
