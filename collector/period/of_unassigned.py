"""Closures that no load was in, and how they were resolved: said empty, late, not known, or by nobody."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from collector.counting.soaks import Kind, Watched
from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, cut, number, plural
from collector.record.rounds.unassigned import Answer
from collector.record.things import ClosureNote
from soak.quantity import in_words

_NOBODY = "nobody has said"
_ANSWERED = {
    _NOBODY: "of which nobody has said anything",
    Answer.NOT_KNOWN.value: "of which nobody knows what was in it",
    Answer.EMPTY.value: "said to have been empty",
}


class Unassigned(NamedTuple):
    """A closure without a load.

    Attributes:
        closure: It.
        answer: What people said of it.
        note: What has been said.
    """

    closure: Watched
    answer: str
    note: ClosureNote | None

    @property
    def open(self) -> bool:
        """It is not known what was in it."""
        return self.answer != Answer.EMPTY


def unassigned_of(look: Looking) -> list[Unassigned]:
    """Of the range, oldest first; those of less than a minute are lids put down in passing."""
    notes = {each.id: each for each in look.book.all(ClosureNote, **look.range)}
    found = []
    for closure, kind, load, _rounds in look.inside:
        if kind is Kind.UNASSIGNED or (kind is Kind.SOAK and not load):
            note = notes.get(closure.key)
            found.append(
                Unassigned(closure, note.assignment if note and note.assignment in _ANSWERED else _NOBODY, note)
            )
    return found


def of_unassigned(look: Looking, found: Sequence[Unassigned]) -> Part:
    """The section of closures without a load."""
    says = []
    assigned = [each for each in look.loads if each.late]
    if found:
        answers = Counter(each.answer for each in found)
        words = ", ".join(f"{number(answers[each])} {words}" for each, words in _ANSWERED.items() if answers[each])
        says.append(f"{plural(len(found), 'closure')} of a minute or more without a load on record: {words}.")
    else:
        says.append("No closure of a minute or more was without a load.")
    if assigned:
        ids = ", ".join(each.id for each in assigned[:20]) + (" and more" if len(assigned) > 20 else "")
        says.append(
            f"{plural(len(assigned), 'load')} assigned after the lid was opened, confirmed by a second person: {ids}."
        )
    open_ones = [each for each in found if each.open]
    tables, left_out = [], ""
    if open_ones:
        shown, left_out = cut([_row(look, each) for each in open_ones], "unassigned.csv", most=100)
        head = ("Closure", "Closed", "Basin", "For", "Verdict", "What was said of it")
        tables = [Shown("Not resolved", head, shown, widths=(0, 0, 1, 0, 0, 2))]
    note = "Whatever lay in a closure that nobody has assigned has no proof of its soak."
    section = Section(
        "Unassigned closures",
        "measured; what was in them, declared",
        tuple(says),
        tuple(tables),
        tuple(each for each in (left_out, note if open_ones else "") if each),
    )
    return Part(section, [_table(look, found)])


def _row(look: Looking, each: Unassigned) -> tuple[str, ...]:
    closure = each.closure
    return (
        look.soak(closure),
        look.minute(closure.closing_ms),
        look.label(closure.basin),
        in_words((closure.opened_ms - closure.closing_ms) // 1000 * 1000),
        closure.verdict.value,
        "\n".join([each.answer, *_said(look, each)]),
    )


def _said(look: Looking, each: Unassigned) -> list[str]:
    """Notes without names; what was answered is one of them already."""
    notes = [one.note for one in each.note.notes] if each.note else []
    shown, withheld = look.shown(note for note in notes if note != f"{each.answer}.")
    return [*shown, *([f"({plural(withheld, 'text')} naming somebody left out)"] if withheld else [])]


def _table(look: Looking, found: Sequence[Unassigned]) -> Table:
    head = ("row", "record", "closure", "basin", "closed_utc", "opened_utc", "verdict", "answer", "said")
    rows = (
        (
            *(each.closure.id, look.numbers.get(each.closure.id), each.closure.key, each.closure.basin),
            *(utc(each.closure.closing_ms), utc(each.closure.opened_ms), each.closure.verdict.value, each.answer),
            " / ".join(_said(look, each)),
        )
        for each in found
    )
    return Table("unassigned.csv", "Closures of a minute or more without a load", head, rows)
