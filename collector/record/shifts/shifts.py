"""From shift to shift: handover notes, the daily log review, and what was written on paper meanwhile."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.shifts.day_review import day_bounds, day_review
from collector.record.things import Date, Handover, Note, NotKnown, Review, Text, Transcript


@deed
class HandOver(Deed, frozen=True, kw_only=True):
    """Leave a note for the next shift.

    Attributes:
        note: In your words.
    """

    NAME = "hand-over"

    note: Note

    def perform(self, book: Book) -> Handover:
        """It says something."""
        if not self.note.strip():
            raise RefusedError("note", "The note is empty.", "Write what the next shift must know, then record it.")
        return book.put(Handover(id=book.next_id(Handover), by=book.who, at_ms=book.at_ms, note=self.note))


@deed
class SignReview(Deed, frozen=True, kw_only=True):
    """Sign a day's log review.

    Attributes:
        day: The day, e.g. "2026-03-02".
        answers: One to everything that is open; "not known" is an answer.
    """

    NAME = "sign-review"
    ROLES = LEADS
    SECOND_FACTOR = True

    day: Date
    answers: Annotated[tuple[NotKnown, ...], msgspec.Meta(max_length=1_000)] = ()

    def perform(self, book: Book) -> Review:
        """With an answer to everything that is open; what is open stays open.

        A day is signed once, and again only if something else is open of it since: its work may go on after the
        signature. Answers to what was open before are kept.
        """
        signed = book.find(Review, self.day)
        subjects = {each.subject: each.text for each in day_review(book, self.day)}
        self._refuse_day(book, signed, subjects)
        answered = {each.subject for each in self.answers if each.answer.strip()}
        if unasked := [each.subject for each in self.answers if each.subject not in subjects]:
            raise RefusedError(
                "not-open",
                f"{unasked[0]} is not open, or no longer: somebody may have settled it meanwhile.",
                "Load the review again, then sign it.",
            )
        if unanswered := [each for each in subjects if each not in answered]:
            raise RefusedError(
                "unanswered",
                f"{len(unanswered)} of {len(subjects)} have no answer; the first is {unanswered[0]}: "
                f"{subjects[unanswered[0]]}",
                "Answer each in words; 'not known' is an answer.",
            )
        before = [each for each in signed.answers if each.subject not in answered] if signed else []
        asked = dict.fromkeys((*(signed.open_subjects if signed else ()), *subjects))
        answers = (*before, *self.answers)
        return book.put(Review(id=self.day, by=book.who, at_ms=book.at_ms, answers=answers, open_subjects=tuple(asked)))

    def _refuse_day(self, book: Book, signed: Review | None, subjects: Iterable[str]) -> None:
        if day_bounds(book, self.day)[0] > book.at_ms:
            raise RefusedError("day-in-future", f"{self.day} has not come yet.", "Sign a day that is over.")
        if signed is not None and not set(subjects) - set(signed.open_subjects):
            raise RefusedError(
                "signed-already",
                f"The review of {self.day} was signed by {book.name_of(signed.by)} {book.local_text(signed.at_ms)}.",
                "Write what has become known since as a note on the closure or round.",
            )


@deed
class TranscribeDowntime(Deed, frozen=True, kw_only=True):
    """Type in a paper downtime form. It stays marked as transcribed: nothing in it was watched.

    Attributes:
        from_ms: Beginning of the downtime, milliseconds since 1970.
        until_ms: Its end.
        lines: As on the paper, one for each soak.
        picture_sha256: Digest of the picture of the paper; empty if none is kept.
    """

    NAME = "transcribe-downtime"

    from_ms: Annotated[int, msgspec.Meta(ge=0)]
    until_ms: Annotated[int, msgspec.Meta(ge=0)]
    lines: Annotated[tuple[Text, ...], msgspec.Meta(min_length=1, max_length=200)]
    picture_sha256: Annotated[str, msgspec.Meta(pattern=r"^([0-9a-f]{64})?$")] = ""

    def perform(self, book: Book) -> Transcript:
        """Of a time that is over, and once."""
        if not self.from_ms < self.until_ms <= book.at_ms:
            raise RefusedError(
                "downtime",
                f"A downtime from {book.local_text(self.from_ms)} to {book.local_text(self.until_ms)} cannot be: "
                "it must end after it began, and be over.",
                "Compare both times with the paper.",
            )
        for other in book.all(Transcript, until_ms=self.until_ms):
            if other.until_ms > self.from_ms and other.lines == self.lines:
                raise RefusedError(
                    "transcribed-twice",
                    f"These lines were typed in {book.local_text(other.at_ms)} by {book.name_of(other.by)} "
                    f"({other.id}).",
                    "Compare the paper with what is there; type only what is missing.",
                )
        return book.put(
            Transcript(
                id=book.next_id(Transcript),
                by=book.who,
                at_ms=book.at_ms,
                from_ms=self.from_ms,
                until_ms=self.until_ms,
                lines=self.lines,
                picture_sha256=self.picture_sha256,
            )
        )
