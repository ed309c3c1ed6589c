"""What people have said of a closure: the load that was in it, an answer, notes; and the forms for saying it."""

from __future__ import annotations

from typing import NamedTuple
from urllib.parse import urlencode

from collector.record.basins.grounds import Ground, grounds
from collector.record.book import Book
from collector.record.rounds.unassigned import load_over
from collector.record.things import Attested, ClosureNote, Issued, Load, Turn
from dashboard.closure_evidence import Evidence, evidence
from dashboard.record_query import Names
from dashboard.texts import _


class ClosureSaid(NamedTuple):
    """What is declared of a closure, beside what was measured.

    Attributes:
        key: As deeds name it, "stream:first".
        load: The load that was in the basin when it was closed; None: nobody has said that one was.
        turns: The rounds of that load's devices.
        answer: "empty" or "not known"; empty: nobody has said.
        notes: In the order in which they were written.
        names: People as they are called.
        forms: Where more can be said of it: words, and the form's address.
        evidence: What proves it, with the records that hold it.
        papers: That were issued about it.
        grounds: What correction and U of each of its sensors rested on.
    """

    key: str
    load: Load | None
    turns: list[Turn]
    answer: str
    notes: tuple[Attested, ...]
    names: Names
    forms: list[tuple[str, str]]
    evidence: Evidence
    papers: list[Issued]
    grounds: list[Ground]


def closure_said(book: Book, closure_id: int) -> ClosureSaid:
    """What is declared of a closure.

    Args:
        book: To look in.
        closure_id: Its row, which is there.
    """
    stream, first, basin, closing_ms, superseded, basin_id = book.connection.execute(
        """SELECT s.stream, c.first, b.node || '/' || b.name, c.closing_utc_ms, c.superseded_by,
                  c.basin_id FROM closure c
           JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id WHERE c.id = ?""",
        (closure_id,),
    ).fetchone()
    key = f"{stream}:{first}"
    load = load_over(book, basin, closing_ms)
    note = book.find(ClosureNote, key)
    answer = note.assignment if note and load is None else ""
    turns = [turn for turn_id in (load.turns if load else ()) if (turn := book.find(Turn, turn_id))]
    forms = [] if superseded else closure_forms(key, assigned=load is not None)
    names = Names(book)
    proof = evidence(book, closure_id, load, turns, names)
    notes, papers = note.notes if note else (), book.all(Issued, group=key)
    found = grounds(book, basin_id, closing_ms)
    return ClosureSaid(key, load, turns, answer, notes, names, forms, proof, papers, found)


def closure_forms(key: str, *, assigned: bool) -> list[tuple[str, str]]:
    """Where more can be said of a closure that stands: words, and the form with it filled in."""
    late = (_("A device that nobody named was in it"), f"/do/assign-late?{urlencode({'closure': key})}")
    note = (_("Write a note"), f"/do/note-closure?{urlencode({'closure': key})}")
    if assigned:
        return [late, note]
    nothing = (_("Nothing was in it, or nobody knows"), f"/do/answer-closures?{urlencode({'closures': key})}")
    return [nothing, late, note]
