"""Browsers at which somebody has signed in, so that who guesses elsewhere keeps nobody waiting there.

Outside the ledger. A browser holds a random token in a cookie; only its SHA-256 is kept. It signs nobody in. That tries
are counted apart for browsers at which a person has proven who they are is OWASP's idea (owasp.org/www-community,
"Slow Down Online Guessing Attacks with Device Cookies").
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3

MOST_PER_PERSON = 20
"""Of one person; forgotten first are those where they gave no more than a badge, of these the one unused for longest.
Else whoever has found a badge could have all tablets of its owner forgotten, by signing in elsewhere again and again.
Our own choice: few clinics have more tablets."""

KEPT_S = 400 * 86_400
"""Unused for so long, a browser is forgotten: browsers keep no cookie longer (RFC 6265bis 5.5, from memory)."""

BADGE = "badge"
_TOUCH_MS = 3_600_000


def digest(token: str) -> str:
    """What is kept of a browser's token; empty of an empty one."""
    return hashlib.sha256(f"soakledger/browser/1\n{token}".encode()).hexdigest() if token else ""


def new_token() -> str:
    """A token of 256 random bits for a browser that has none."""
    return secrets.token_urlsafe(32)


def is_ours(connection: sqlite3.Connection, browser: str) -> bool:
    """This browser's token was drawn here, and somebody has signed in there."""
    return bool(browser) and _asked(connection, "SELECT 1 FROM known_browser WHERE browser = ?", browser)


def is_proven(connection: sqlite3.Connection, browser: str, person: str | None = None) -> bool:
    """A person, or without one anybody, has proven there who they are by PIN or password: a badge can be stolen."""
    sql = "SELECT 1 FROM known_browser WHERE browser = ? AND kind <> 'badge' AND proven = 1"
    if person is None:
        return bool(browser) and _asked(connection, sql, browser)
    return bool(browser) and _asked(connection, f"{sql} AND person = ?", browser, person)


def remember(connection: sqlite3.Connection, browser: str, person: str, kind: str, now_ms: int) -> None:
    """A person has signed in at this browser, or has given a right PIN or password there; within a transaction.

    Args:
        connection: To the database.
        browser: The digest of its token.
        person: Their id.
        kind: What they gave; a badge alone proves too little for their tries to be counted apart.
        now_ms: The real clock.
    """
    connection.execute(
        """INSERT INTO known_browser (browser, person, kind, seen_ms, proven) VALUES (?, ?, ?, ?, 1)
           ON CONFLICT DO UPDATE SET seen_ms = excluded.seen_ms, proven = 1, failures = 0, failed_ms = NULL
           WHERE failures > 0 OR proven = 0 OR abs(excluded.seen_ms - seen_ms) > ?""",
        (browser, person, kind, now_ms, _TOUCH_MS),
    )
    connection.execute("DELETE FROM known_browser WHERE seen_ms < ?", (now_ms - KEPT_S * 1_000,))
    connection.execute(
        """DELETE FROM known_browser WHERE person = ?1 AND browser NOT IN (
               SELECT browser FROM known_browser WHERE person = ?1 GROUP BY browser
               ORDER BY max(kind <> 'badge' AND proven) DESC, max(seen_ms) DESC, browser = ?2 DESC LIMIT ?3)""",
        (person, browser, MOST_PER_PERSON),
    )


def _asked(connection: sqlite3.Connection, sql: str, *given: str) -> bool:
    return connection.execute(f"{sql} LIMIT 1", given).fetchone() is not None
