"""How people prove who they are: badge, PIN, password. Outside the ledger and never in an answer of any kind.

A badge is something one has: a random code, of which only its SHA-256 is kept. A PIN or password is something one
knows: kept as an argon2id hash. Guessing is slowed down per person and kind (see guesses.py), so that wrong passwords
from the network do not lock the PIN at the tablet, which takes the badge too.
"""

from __future__ import annotations

import enum
import hashlib
import secrets
import sqlite3
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import NamedTuple

import argon2

from collector import guesses
from collector.record.errors import RefusedError


class Kind(enum.StrEnum):
    """The ways of proving who one is."""

    BADGE = "badge"
    PIN = "pin"
    PASSWORD = "password"  # noqa: S105


_HASHER = argon2.PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
"""argon2id, 19 MiB, 2 passes, 1 lane: the least that OWASP's cheat sheet on storing passwords asks for (from memory).

A Pi hashes that in a fraction of a second. No setting makes a six-digit PIN strong: the lock-out does.
"""

_NOBODYS = _HASHER.hash(secrets.token_hex(16))
"""Compared with where there is nothing to compare with, so that the answer takes as long as any other."""

PIN_DIGITS = (6, 11)
"""From NIST SP 800-63B 5.1.1: at least 6 digits where the verifier limits guessing. 12 digits are a password."""

PASSWORD_LENGTHS = (12, 200)
"""Length before composition (NIST SP 800-63B, appendix A); its floor is 8, ours 12: nothing else is asked for."""

_BADGE_LETTERS = "BCDEFGHIJKLNOPRSTUVX"
"""Letters that stand at the same place on the usual keyboards (QWERTY, QWERTZ, AZERTY): a scanner types them."""

_BADGE_LENGTH = 30  # 20 letters: 129.6 bits
BADGE_PREFIX = "PERSON"

_TRIED_FIRST = ("password", "passwort", "soakledger", "qwertyuiop", "qwertzuiop", "1234567890", "letmein", "welcome")
_MOST_IN_BADGE = 100


class _Stored(NamedTuple):
    hash: str
    temporary: bool


def new_badge(connection: sqlite3.Connection, person: str, now_ms: int = 0) -> str:
    """Give a person a new badge; the one before opens nothing any more.

    Args:
        connection: To the database.
        person: Their id.
        now_ms: Milliseconds since 1970, for "since when".

    Returns:
        The code to print as a barcode. It is kept nowhere and cannot be shown again.
    """
    code = BADGE_PREFIX + "".join(secrets.choice(_BADGE_LETTERS) for _ in range(_BADGE_LENGTH))
    set_badge(connection, person, code, now_ms)
    return code


def set_badge(connection: sqlite3.Connection, person: str, code: str, now_ms: int = 0) -> None:
    """Give a person a badge whose code is known already: for rehearsals, whose badges are printed in their text."""
    _store(connection, person, Kind.BADGE, _badge_hash(code), now_ms, temporary=False)


def person_of_badge(connection: sqlite3.Connection, code: str) -> str | None:
    """Whose badge this is; None if it opens nothing. Spaces, line ends and small letters do not matter."""
    row = connection.execute(
        "SELECT person FROM credential WHERE kind = ? AND hash = ?", (Kind.BADGE, _badge_hash(code))
    ).fetchone()
    return str(row[0]) if row else None


def set_secret(
    connection: sqlite3.Connection,
    person: str,
    kind: Kind,
    secret: str,
    now_ms: int = 0,
    *,
    temporary: bool = False,
) -> None:
    """Set a person's PIN or password; earlier failures are forgotten.

    Args:
        connection: To the database.
        person: Their id.
        kind: PIN or password.
        secret: As typed.
        now_ms: Milliseconds since 1970.
        temporary: Somebody else chose it: it proves nothing until its owner has changed it.

    Raises:
        RefusedError: It would be guessed.
    """
    refuse_weak(person, kind, secret)
    _store(connection, person, kind, _HASHER.hash(_normal(secret)), now_ms, temporary=temporary)


def refuse_weak(person: str, kind: Kind, secret: str) -> None:
    """What must not be anybody's PIN or password.

    Raises:
        RefusedError: It would be guessed.
    """
    if kind is Kind.PIN:
        _refuse_weak_pin(secret)
    elif kind is Kind.PASSWORD:
        _refuse_weak_password(person, secret)
    else:
        raise ValueError("A badge is drawn, not chosen.")


def check(
    connection: sqlite3.Connection,
    person: str,
    secret: str,
    now_ms: int,
    kind: Kind | None = None,
    *,
    browser: str = "",
) -> bool:
    """Whether this is the person's PIN or password, and they may try at present.

    A try is counted before it is compared, so that many at once are no more than as many one after another. Unknown
    people, people who must wait and wrong secrets take the same time and get the same answer.

    Args:
        connection: To the database, with no transaction open.
        person: Their id.
        secret: As typed.
        now_ms: The real time, milliseconds since 1970.
        kind: Which of the two; without it, what the secret looks like.
        browser: The digest of the token of the browser at which it is given; empty without one.
    """
    kind = kind or kind_of(secret)
    stored, at = _attempt(connection, person, kind, now_ms, browser)
    good = _same(stored.hash if stored else _NOBODYS, _normal(secret)) and stored is not None
    if good and stored:
        with _writing(connection):
            # A secret that somebody else has set proves nothing, so the browser stays as unknown as it was.
            guesses.fitted(connection, person, kind, at, browser="" if stored.temporary else browser, now_ms=now_ms)
            if _HASHER.check_needs_rehash(stored.hash):
                connection.execute(
                    "UPDATE credential SET hash = ? WHERE person = ? AND kind = ? AND hash = ?",
                    (_HASHER.hash(_normal(secret)), person, kind, stored.hash),
                )
    return good


def kind_of(secret: str) -> Kind:
    """A PIN is digits and shorter than any password."""
    return Kind.PIN if secret.isascii() and secret.isdigit() and len(secret) <= PIN_DIGITS[1] else Kind.PASSWORD


def wait_ms(connection: sqlite3.Connection, person: str, kind: Kind, now_ms: int, *, browser: str = "") -> int:
    """How long this person must wait before their next try at a browser; 0 if they need not."""
    return guesses.count(connection, person, kind, browser).wait_ms(now_ms)


def had_to_wait(connection: sqlite3.Connection, person: str, kind: Kind, now_ms: int, *, browser: str = "") -> bool:
    """After a try that failed: it was not compared at all; one that was would have failed this very moment."""
    at = guesses.count(connection, person, kind, browser)
    return at.failed_ms != now_ms and not at.open(now_ms)


def is_temporary(connection: sqlite3.Connection, person: str, kind: Kind) -> bool:
    """Somebody else set it, and its owner has not changed it yet."""
    stored = _stored(connection, person, kind)
    return stored is not None and stored.temporary


def has(connection: sqlite3.Connection, person: str) -> list[Kind]:
    """Which ways of proving who they are a person has."""
    rows = connection.execute("SELECT kind FROM credential WHERE person = ? ORDER BY kind", (person,)).fetchall()
    return [Kind(kind) for (kind,) in rows]


def _attempt(
    connection: sqlite3.Connection, person: str, kind: Kind, now_ms: int, browser: str
) -> tuple[_Stored | None, guesses.Count]:
    """Count a try; nothing is given back to compare with where it cannot succeed."""
    with _writing(connection):
        stored, at = _stored(connection, person, kind), guesses.count(connection, person, kind, browser)
        if stored is None or not at.open(now_ms):
            # Changes nothing, but writes as the counting below does: the wait for the disk would tell them apart.
            connection.execute(
                "UPDATE credential SET set_ms = set_ms WHERE person = (SELECT min(person) FROM credential)"
            )
            return None, at
        guesses.failed(connection, person, kind, at, now_ms)
    return stored, at


def _stored(connection: sqlite3.Connection, person: str, kind: Kind) -> _Stored | None:
    row = connection.execute(
        "SELECT hash, temporary FROM credential WHERE person = ? AND kind = ?", (person, kind)
    ).fetchone()
    return _Stored(row[0], bool(row[1])) if row else None


def _store(
    connection: sqlite3.Connection, person: str, kind: Kind, hashed: str, now_ms: int, *, temporary: bool
) -> None:
    with _writing(connection):
        connection.execute(
            """INSERT INTO credential (person, kind, hash, set_ms, temporary) VALUES (?, ?, ?, ?, ?)
               ON CONFLICT DO UPDATE SET hash = excluded.hash, set_ms = excluded.set_ms,
               temporary = excluded.temporary, failures = 0, failed_ms = NULL""",
            (person, kind, hashed, now_ms, int(temporary)),
        )
        guesses.forget(connection, person, kind)


@contextmanager
def _writing(connection: sqlite3.Connection) -> Iterator[None]:
    """A transaction of our own, or within the caller's."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.commit()
    except BaseException:
        connection.rollback()
        raise


def _same(hashed: str, secret: str) -> bool:
    try:
        return _HASHER.verify(hashed, secret)
    except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
        return False


def _badge_hash(code: str) -> str:
    plain = "".join(code.split()).upper()[:_MOST_IN_BADGE]
    return hashlib.sha256(f"soakledger/badge/1\n{plain}".encode()).hexdigest()


def _normal(secret: str) -> str:
    """The same text however a keyboard composes its characters (NIST SP 800-63B 5.1.1.2)."""
    return unicodedata.normalize("NFKC", secret)


def _refuse_weak_pin(pin: str) -> None:
    least, most = PIN_DIGITS
    if not (pin.isascii() and pin.isdigit() and least <= len(pin) <= most):
        raise RefusedError("pin-form", f"A PIN has {least} to {most} digits.", "Choose another one.")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    repeats = any(pin == (pin[:size] * len(pin))[: len(pin)] for size in range(1, len(pin) // 2 + 1))
    if len(steps) == 1 or repeats or len(set(pin)) < 3:
        raise RefusedError(
            "pin-weak",
            "That PIN is among the first that anybody would try: digits in a row, or the same ones again.",
            "Choose another one.",
        )


def _refuse_weak_password(person: str, password: str) -> None:
    least, most = PASSWORD_LENGTHS
    length = len(_normal(password))
    if not least <= length <= most:
        raise RefusedError(
            "password-length",
            f"A password has {least} to {most} characters; this has {length}.",
            "Several words in a row are easy to remember. Choose another one.",
        )
    rest = _normal(password).casefold()
    for word in (*_TRIED_FIRST, person.casefold()):
        rest = rest.replace(word, "")
    if len(rest) < 6 or len(set(rest)) < 4:
        raise RefusedError(
            "password-weak",
            "That password is among the first that anybody would try: well-known words, your own name or the same "
            "characters again.",
            "Several words in a row are easy to remember. Choose another one.",
        )
