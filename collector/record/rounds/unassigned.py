"""Closures that nobody has said anything about: what was in them, said afterwards."""

from __future__ import annotations

import enum
from typing import Annotated, NamedTuple

import msgspec
from msgspec.structs import replace

from collector.record.book import Book, Watched
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.rounds.rounds import basin_name
from collector.record.said import need_reason
from collector.record.things import Attested, ClosureNote, Load, Note, Turn

ClosureKey = Annotated[str, msgspec.Meta(pattern=r"^[^:\s]{1,80}:\d{1,15}$", max_length=100)]
"""A closure as "stream:first"."""

MEANINGFUL_MS = 60_000
"""A shorter closure is a lid that was moved, not one that something lay under (design: over a minute)."""

_BEFORE_MS = 30 * 24 * 3_600_000
"""Loads and rounds that began longer ago are not asked about a closure unless they are still open."""


class Answer(enum.StrEnum):
    """What can be said of a closure that no load was in."""

    EMPTY = "empty"
    NOT_KNOWN = "not known"


class Found(NamedTuple):
    """A closure that stands.

    Attributes:
        basin: "node/name".
        watched: The closure.
    """

    basin: str
    watched: Watched


@deed
class AnswerClosures(Deed, frozen=True, kw_only=True):
    """Say that nothing was in a basin while its lid was closed, or that nobody knows.

    Attributes:
        closures: Which, as "stream:first".
        answer: "empty" or "not known". What is not known stays in the list, with the devices that it may concern.
    """

    NAME = "answer-closures"

    closures: Annotated[tuple[ClosureKey, ...], msgspec.Meta(min_length=1, max_length=200)]
    answer: Answer

    def perform(self, book: Book) -> ClosureNote:
        """Not for a closure that a load was in; another answer than before needs a reason."""
        notes = [self._answered(book, closure_of(book, key)) for key in dict.fromkeys(self.closures)]
        return notes[0]

    def _answered(self, book: Book, found: Found) -> ClosureNote:
        note = note_of(book, found)
        when = _when(book, found)
        if load := load_over(book, found.basin, found.watched.closing_ms):
            raise RefusedError("closure-assigned", f"Load {load.id} was in {when}.", "Look at that load.")
        if note.assignment and note.assignment != self.answer:
            text = f"It was said that what was in {when} is {note.assignment!r}; another answer needs a reason."
            need_reason(self, text, "Say how that is known now.")
        said = Attested(book.who, book.at_ms, f"{self.answer.value}. {self.reason}".strip())
        return book.put(replace(note, assignment=self.answer.value, notes=(*note.notes, said)))


@deed
class NoteClosure(Deed, frozen=True, kw_only=True):
    """Write a note on a closure or on a finding about it.

    Attributes:
        closure: Which, as "stream:first".
        note: In your words: what happened, not who is to blame.
    """

    NAME = "note-closure"

    closure: ClosureKey
    note: Note

    def perform(self, book: Book) -> ClosureNote:
        """Notes are added to, never changed."""
        note = note_of(book, closure_of(book, self.closure))
        if not self.note.strip():
            raise RefusedError("note", "The note is empty.", "Write what happened, then record it.")
        return book.put(replace(note, notes=(*note.notes, Attested(book.who, book.at_ms, self.note))))


def closure_of(book: Book, key: str) -> Found:
    """An ended closure that nothing has superseded.

    Raises:
        UnknownThingError: There is none.
    """
    stream, _, first = key.rpartition(":")
    row = book.connection.execute(
        """SELECT b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms FROM closure c
           JOIN basin b ON b.id = c.basin_id JOIN stream s ON s.id = c.stream_id
           WHERE s.stream = ? AND c.first = ? AND c.superseded_by IS NULL""",
        (stream, int(first)),
    ).fetchone()
    found = book.closures(row[0], row[2], row[1] + 1) if row else []
    watched = next((each for each in found if each.key == key), None)
    if watched is None:
        raise UnknownThingError("closure", key, "Choose it from the list of closures: it may have been judged again.")
    return Found(row[0], watched)


def note_of(book: Book, found: Found) -> ClosureNote:
    """What has been said of a closure so far."""
    key = found.watched.key
    return book.find(ClosureNote, key) or ClosureNote(id=key, basin=found.basin, at_ms=found.watched.closing_ms)


def load_over(book: Book, basin: str, closing_ms: int) -> Load | None:
    """The load that was in a basin when its lid was closed."""
    loads = book.all(Load, group=basin, since_ms=closing_ms - _BEFORE_MS, until_ms=closing_ms + 1)
    loads += book.all(Load, group=basin, only_open=True, until_ms=closing_ms + 1)
    return next((each for each in loads if each.ended_ms is None or each.ended_ms > closing_ms), None)


def unassigned(book: Book, basin: str, since_ms: int, until_ms: int) -> list[Found]:
    """Closures that began in a time range, lasted long enough to mean something, and that no load was in.

    Where the site treats every closing as a load, short ones are among them.

    Closures that somebody has said were empty are not among them; those that nobody knows about are.
    """
    return [
        found
        for each in book.closures(basin, since_ms, until_ms)
        if since_ms <= each.closing_ms
        and each.opened_ms <= book.at_ms
        and (book.policy.every_closing_is_a_load or each.opened_ms - each.closing_ms >= MEANINGFUL_MS)
        and load_over(book, basin, each.closing_ms) is None
        and note_of(book, found := Found(basin, each)).assignment != Answer.EMPTY
    ]


def may_concern(book: Book, found: Found) -> list[Turn]:
    """Rounds whose device may have been in a closure: begun by then, in no load, not used or released."""
    closing_ms, opened_ms = found.watched.closing_ms, found.watched.opened_ms
    return [
        turn
        for turn in book.all(Turn, since_ms=closing_ms - _BEFORE_MS, until_ms=opened_ms)
        if not (turn.used and turn.used.at_ms <= closing_ms)
        and not (turn.quarantine and turn.quarantine.at_ms <= closing_ms)
        and not (turn.released and turn.released.at_ms <= closing_ms)
        and not (turn.in_ms is not None and turn.in_ms < opened_ms and (turn.out_ms or opened_ms) > closing_ms)
        and not _followed(book, turn, closing_ms)
    ]


def _followed(book: Book, turn: Turn, by_ms: int) -> bool:
    """The device's next round had begun."""
    return any(turn.began_ms < other.began_ms <= by_ms for other in book.all(Turn, group=turn.device))


def _when(book: Book, found: Found) -> str:
    watched = found.watched
    return (
        f"{basin_name(book, found.basin)} from {book.local_text(watched.closing_ms)} "
        f"to {book.local_text(watched.opened_ms)}"
    )
