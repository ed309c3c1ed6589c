"""Where deeds are done: checked, appended and followed by the things, in one transaction or not at all."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlite_utils import Database

from collector.errors import DataError
from collector.ledger import COLLECTOR, Ledger
from collector.record import shelf
from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.errors import RefusedError
from collector.record.legible import refuse_illegible
from collector.record.things import Person, Role, Thing
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older
from soak.decoding import converted

_BEHIND_MS = 2_000
"""A clock so far behind the last record is wrong; less is two machines' small difference."""

CLOCK_WAS_WRONG = "clock-was-wrong"
"""The one deed that a clock behind the last record does not stop: it says that the later record's clock was wrong."""


FIRST_ADMINISTRATOR = "first-administrator"
"""The one deed that needs nobody signed in, and is possible only while there are no people."""


class Done(NamedTuple):
    """What became of a deed.

    Attributes:
        number: Its record in the ledger.
        kind: Of the thing it is about.
        id: That thing's.
        again: It had been done before under the same key; nothing was recorded now.
    """

    number: int
    kind: str
    id: str
    again: bool = False


class Desk:
    """Does deeds on a collector's data. One for each thread.

    Args:
        data_dir: The collector's data folder.
        clock: The wall clock, milliseconds since 1970.

    Raises:
        DataError: There are no data, or another version wrote them.
    """

    def __init__(self, data_dir: Path, clock: Callable[[], int]) -> None:
        path = data_dir / FILE_NAME
        if not path.is_file():
            raise DataError(
                f"There are no data in {data_dir} (no {FILE_NAME}). "
                "Start the collector first, or name the right folder."
            )
        self._db = connect(path)
        refuse_newer(self._db)
        refuse_older(self._db)
        self._clock = clock
        self._ledger = Ledger(self.connection, clock)

    @property
    def connection(self) -> sqlite3.Connection:
        """To the database."""
        return self._db.conn

    @property
    def database(self) -> Database:
        """The database itself."""
        return self._db

    @property
    def clock(self) -> Callable[[], int]:
        """The wall clock, milliseconds since 1970."""
        return self._clock

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def do(
        self,
        deed: Deed,
        who: str,
        *,
        second_factor: bool = False,
        once: str = "",
        at_ms: int | None = None,
    ) -> Done:
        """Do a deed.

        Args:
            deed: What is said.
            who: The person's id, as they have proven it.
            second_factor: They have proven it with a PIN or password besides.
            once: A key of the sender's: a deed sent again under it is not done again.
            at_ms: When it is done; now if not given. Only a rehearsal plays the past.

        Raises:
            RefusedError: A rule stands against it; nothing was recorded.
            sqlite3.Error: The database cannot be written; nothing was recorded.
        """
        with self.transaction():
            return self.do_within(deed, who, second_factor=second_factor, once=once, at_ms=at_ms)

    def do_within(
        self,
        deed: Deed,
        who: str,
        *,
        second_factor: bool = False,
        once: str = "",
        at_ms: int | None = None,
        in_order: bool = True,
    ) -> Done:
        """The same within a transaction of the caller's, who rolls it back if this raises.

        Out of order only a rehearsal does deeds: it learns of its past alarms when the day has been played.
        """
        if once and (done := self._done_before(who, once)):
            return done
        said = msgspec.to_builtins(deed)
        refuse_illegible(said)
        now_ms = self._clock() if at_ms is None else at_ms
        if in_order:
            self._refuse_early(deed, now_ms)
        book = Book(self.connection, now_ms, self._allowed(deed, who, second_factor), second_factor=second_factor)
        thing = _performed(deed, book)
        _refuse_misshapen(deed, said)  # after the rules, whose words say more
        changes = book.changes()
        if not changes:
            raise RefusedError(
                "no-change", "Nothing would change by that.", "Look whether it has been recorded already."
            )
        said.pop("reason", None)
        body: dict[str, Any] = {"said": said, "changes": changes, "about": f"{thing.KIND}/{thing.id}"}
        if once:
            body["once"] = once
        if book.enclosed is not None:
            body["enclosed"] = book.enclosed
        number = self._ledger.append(deed.NAME, body, who=who, reason=deed.reason, at_ms=now_ms).number
        shelf.write(self.connection, number, changes)
        if once:
            self.connection.execute(
                "INSERT INTO once (who, key, number, kind, id) VALUES (?, ?, ?, ?, ?)",
                (who, once, number, thing.KIND, thing.id),
            )
        return Done(number, thing.KIND, thing.id)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside is committed together or not at all."""
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.connection.commit()
        except BaseException:
            self.connection.rollback()
            raise

    def _done_before(self, who: str, once: str) -> Done | None:
        row = self.connection.execute(
            "SELECT number, kind, id FROM once WHERE who = ? AND key = ?", (who, once)
        ).fetchone()
        return Done(int(row[0]), str(row[1]), str(row[2]), again=True) if row else None

    def _refuse_early(self, deed: Deed, now_ms: int) -> None:
        """A clock behind the last thing that anybody said would put deeds into a wrong order."""
        if deed.NAME == CLOCK_WAS_WRONG:
            return
        row = self.connection.execute(
            "SELECT number, at_ms FROM ledger WHERE who <> ? ORDER BY number DESC LIMIT 1", (COLLECTOR,)
        ).fetchone()
        if row and now_ms < row[1] - _BEHIND_MS:
            raise RefusedError(
                "clock-behind",
                f"This machine's clock is {(row[1] - now_ms) // 1000} s behind the last record (number {row[0]}): "
                "what is recorded now would seem to have happened before it.",
                "Set the clock. If it is right and was wrong then, an administrator records 'clock was wrong'.",
            )

    def _allowed(self, deed: Deed, who: str, second_factor: bool) -> Person:
        person = shelf.find(self.connection, Person, who)
        if deed.NAME == FIRST_ADMINISTRATOR and not shelf.count(self.connection, Person):
            return Person(id=who, name=who, roles=(Role.ADMINISTRATOR,))
        if person is None or not person.active:
            raise RefusedError("not-signed-in", "Nobody is signed in.", "Scan a badge, then do it again.")
        if not deed.ROLES & set(person.roles):
            needed = " or ".join(_one(role) for role in sorted(deed.ROLES))
            raise RefusedError(
                "role", f"{person.name} is {_listed(person.roles)}; this takes {needed}.", f"Ask {needed} to do it."
            )
        if deed.SECOND_FACTOR and not second_factor:
            raise RefusedError("second-factor", "This takes a PIN or password besides the badge.", "Enter your PIN.")
        return person


def _refuse_misshapen(deed: Deed, said: dict[str, Any]) -> None:
    """A deed made by a page or a command keeps its own bounds too: only decoding checks them, not making."""
    try:
        converted(said, type(deed))
    except msgspec.ValidationError as error:
        raise RefusedError("malformed", f"{error}.", "Nothing was recorded. Correct that and do it again.") from None


def _performed(deed: Deed, book: Book) -> Thing:
    """Dates at the end of the calendar pass every form, and have no day after them."""
    try:
        return deed.perform(book)
    except OverflowError as error:
        raise RefusedError(
            "time-beyond", f"A date or time in it is beyond the calendar ({error}).", "Look at its dates."
        ) from None


def _one(role: Role) -> str:
    return f"{'an' if role.value[0] in 'aeiou' else 'a'} {role.value}"


def _listed(roles: tuple[Role, ...]) -> str:
    return " and ".join(_one(role) for role in roles) or "without a role"
