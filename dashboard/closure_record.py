"""What people have said of a closure: the load that was in it, an answer, notes; and the forms for saying it."""

from __future__ import annotations

from typing import NamedTuple
from urllib.parse import urlencode

from collector.record.book import Book
from collector.record.rounds.unassigned import load_over
from collector.record.things import Attested, ClosureNote, Load, Turn
from dashboard.record_query import Names


class ClosureSaid(NamedTuple):
    """What is declared of a closure, beside what was measured.

    Attributes:
        key: As deeds name it, "stream:first".
        load: The load that was in the basin when it was closed; None: nobody has said that one was.
        devices: That load's devices.
        answer: "empty" or "not known"; empty: nobody has said.
        notes: In the order in which they were written.
        names: People as they are called.
        forms: Where more can be said of it: words, and the form's address.
    """

    key: str
    load: Load | None
    devices: list[str]
    answer: str
    notes: tuple[Attested, ...]
    names: Names
    forms: list[tuple[str, str]]


def closure_said(book: Book, closure_id: int) -> ClosureSaid:
    """What is declared of a closure.

    Args:
        book: To look in.
        closure_id: Its row, which is there.
    """
    stream, first, basin, closing_ms, superseded = book.connection.execute(
        """SELECT s.stream, c.first, b.node || '/' || b.name, c.closing_utc_ms, c.superseded_by FROM closure c
           JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id WHERE c.id = ?""",
        (closure_id,),
    ).fetchone()
    key = f"{stream}:{first}"
    load = load_over(book, basin, closing_ms)
    note = book.find(ClosureNote, key)
    answer = note.assignment if note and load is None else ""
    devices = [turn.device for turn_id in (load.turns if load else ()) if (turn := book.find(Turn, turn_id))]
    forms = [] if superseded else _forms(key, assigned=load is not None)
    return ClosureSaid(key, load, devices, answer, note.notes if note else (), Names(book), forms)


def _forms(key: str, *, assigned: bool) -> list[tuple[str, str]]:
    late = ("A device that nobody named was in it", f"/do/assign-late?{urlencode({'closure': key})}")
    note = ("Write a note", f"/do/note-closure?{urlencode({'closure': key})}")
    if assigned:
        return [late, note]
    nothing = ("Nothing was in it, or nobody knows", f"/do/answer-closures?{urlencode({'closures': key})}")
    return [nothing, late, note]
