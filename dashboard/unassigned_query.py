"""Closures that no load explains: which, what the record allows to say about each, and where to say what was in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, TypeVar, cast

from collector.record.book import DAY_MS, Book
from collector.record.rounds.unassigned import MEANINGFUL_MS, Answer, Found, may_concern
from collector.record.things import ClosureNote, Thing, Turn
from dashboard.audit.loads_over import loads_over
from dashboard.closure_record import closure_forms
from dashboard.record_device import closure_row
from dashboard.record_query import Names
from dashboard.texts import _
from dashboard.when import LATEST_MS
from soak.closure import Closure
from soak.quantity import in_words

PER_PAGE = 20
EXPLAINED = 20
LOOK_BACK_DAYS = 30
"""So far back without a day in the address: what is older is asked for by its first day."""


_ROUNDS_BEFORE_MS = 30 * DAY_MS
"""As far back as `may_concern` asks for rounds."""

_Thing = TypeVar("_Thing", bound=Thing)


class Unassigned(NamedTuple):
    """A closure that no load explains.

    Attributes:
        row: Its page is /closures/row.
        basin: "node/name".
        closing_ms: When its lid was closed, milliseconds since 1970.
        opened_ms: When it was opened, or watched last.
        closure: What was measured.
        note: What people have said of it; None: nothing.
        says: What the record allows to say about it, in sentences.
        devices: Devices whose rounds it may concern.
        forms: Where more can be said of it: words, and the form's address.
    """

    row: int | None
    basin: str
    closing_ms: int
    opened_ms: int
    closure: Closure
    note: ClosureNote | None
    says: Sequence[str]
    devices: Sequence[str]
    forms: Sequence[tuple[str, str]]


class _RoundsOnce(Book):
    """A book that has read the rounds of some weeks once, for rules that ask about them closure by closure.

    Args:
        book: To look in.
        since_ms: Rounds that began at or after this time, milliseconds since 1970.
        until_ms: And before it.
    """

    def __init__(self, book: Book, since_ms: int, until_ms: int) -> None:
        super().__init__(book.connection, book.at_ms, book.person, second_factor=False)
        self._turns = book.all(Turn, since_ms=since_ms, until_ms=until_ms)

    def all(self, kind: type[_Thing], **where: Any) -> list[_Thing]:
        """As `Book.all`; of rounds, those of these weeks."""
        if kind is not Turn or where.keys() - {"since_ms", "until_ms", "group"}:
            return super().all(kind, **where)
        since_ms, until_ms, group = where.get("since_ms", 0), where.get("until_ms", LATEST_MS), where.get("group")
        found = [turn for turn in self._turns if since_ms <= turn.began_ms < until_ms and group in (None, turn.device)]
        return cast(list[_Thing], found)


class _Candidate(NamedTuple):
    found: Found
    note: ClosureNote | None


def unassigned_closures(book: Book, basin: str, since_ms: int, number: int) -> dict[str, object]:
    """A page of those that wait, oldest first, and the newest of those that somebody has explained.

    Args:
        book: To look in.
        basin: Of this basin only, "node/name"; empty: of all.
        since_ms: Closed at or after this time, milliseconds since 1970.
        number: Which page, from 1.
    """
    names = Names(book)
    candidates = [each for key in names.basins if basin in ("", key) for each in _candidates(book, key, since_ms)]
    candidates.sort(key=lambda each: each.found.watched.closing_ms)
    waiting = [each for each in candidates if each.note is None or each.note.assignment != Answer.EMPTY]
    explained = [each for each in candidates if each.note is not None and each.note.assignment == Answer.EMPTY]
    begin = (number - 1) * PER_PAGE
    page, said = waiting[begin : begin + PER_PAGE], explained[: -EXPLAINED - 1 : -1]
    if page:
        first, last = page[0].found.watched, max(page, key=lambda each: each.found.watched.opened_ms).found.watched
        book = _RoundsOnce(book, first.closing_ms - _ROUNDS_BEFORE_MS, last.opened_ms)
    return {
        "names": names,
        "rows": [_row(book, each) for each in page],
        "total": len(waiting),
        "number": number,
        "more": len(waiting) > begin + PER_PAGE,
        "explained": [_row(book, each) for each in said],
        "explained_total": len(explained),
        "all_empty": _together(page),
    }


def _candidates(book: Book, basin: str, since_ms: int) -> list[_Candidate]:
    """As `collector.record.rounds.unassigned.unassigned` finds them, with those that were said to be empty."""
    closures = [
        each
        for each in book.closures(basin, since_ms, book.at_ms)
        if since_ms <= each.closing_ms
        and each.opened_ms <= book.at_ms
        and (book.policy.every_closing_is_a_load or each.opened_ms - each.closing_ms >= MEANINGFUL_MS)
    ]
    loads = loads_over(book, basin, (each.closing_ms for each in closures))
    notes = {note.id: note for note in book.all(ClosureNote, group=basin, since_ms=since_ms)}
    return [_Candidate(Found(basin, each), notes.get(each.key)) for each in closures if each.closing_ms not in loads]


def _row(book: Book, candidate: _Candidate) -> Unassigned:
    found, note = candidate
    watched = found.watched
    answered = note is not None and note.assignment == Answer.EMPTY
    devices = [] if answered else list(dict.fromkeys(turn.device for turn in may_concern(book, found)))
    says = [] if answered else _says(book, found, note, devices)
    forms = closure_forms(watched.key, assigned=False)[:2]
    if watched.opened_ms - watched.closing_ms > book.policy.longest_immersion_ms:
        forms = forms[:1]  # a device would be refused
    row = closure_row(book, watched.key)
    return Unassigned(
        row, found.basin, watched.closing_ms, watched.opened_ms, watched.closure, note, says, devices, forms
    )


def _says(book: Book, found: Found, note: ClosureNote | None, devices: Sequence[str]) -> list[str]:
    watched, longest_ms = found.watched, book.policy.longest_immersion_ms
    closed_ms = watched.opened_ms - watched.closing_ms
    says = []
    if note is not None and note.assignment == Answer.NOT_KNOWN:
        says.append(_("Nobody knows what was in it, as was said; it stays here."))
    if closed_ms > longest_ms:
        says.append(
            _(
                "The lid was on for longer than a device may lie in solution ({longest}): most likely the basin stood "
                "by. No device can be assigned to it any more."
            ).format(longest=in_words(longest_ms))
        )
    says.append(
        _("Rounds that were open then and in no load, which it may concern:")
        if devices
        else _("No device had an open round that was in no load.")
    )
    return says


def _together(candidates: Sequence[_Candidate]) -> str:
    """The keys of a page's closures that nobody has said anything about, a line each: one form answers them all."""
    return "\n".join(each.found.watched.key for each in candidates if each.note is None or not each.note.assignment)


def begin_ms(book: Book) -> int:
    """Since when is looked without a day in the address."""
    return book.at_ms - LOOK_BACK_DAYS * DAY_MS
