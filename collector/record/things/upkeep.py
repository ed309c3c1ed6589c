"""Reviews, handovers, notes on closures, and what was written on paper."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from collector.record.things.base import Attested, BasinKey, Note, Text, Thing


class NotKnown(msgspec.Struct, frozen=True, omit_defaults=True):
    """An answer to one question of the daily log review.

    Attributes:
        subject: What was open: "closure:…", "turn:T12", "fill:F3".
        answer: In words; "not known" is allowed.
    """

    subject: Text
    answer: Note


class Review(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A day's log review, signed. Its id is the day.

    Attributes:
        by: Who signed.
        at_ms: When.
        answers: To what was unassigned or open.
        open_subjects: Everything that was open when it was signed.
    """

    KIND: ClassVar[str] = "review"
    by: str
    at_ms: int
    answers: tuple[NotKnown, ...] = ()
    open_subjects: tuple[str, ...] = ()

    def when_ms(self) -> int:
        """By its signature."""
        return self.at_ms


class Handover(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A note from one shift to the next."""

    KIND: ClassVar[str] = "handover"
    PREFIX: ClassVar[str] = "H"
    by: str
    at_ms: int
    note: Note

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class ClosureNote(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """What somebody says of a closure or a finding. Its id is "stream:first".

    Attributes:
        notes: In the order in which they were written.
        assignment: "empty" (nothing was in it), "not known", or the load's id; empty: nobody has said.
    """

    KIND: ClassVar[str] = "closure-note"
    basin: BasinKey
    at_ms: int
    notes: tuple[Attested, ...] = ()
    assignment: str = ""

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By the closure's closing."""
        return self.at_ms


class Transcript(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A paper downtime form typed in later; nothing in it was watched.

    Attributes:
        by: Who typed it.
        at_ms: When.
        from_ms: Beginning of the downtime.
        until_ms: Its end.
        lines: As on the paper, one for each soak.
        picture_sha256: Digest of the picture of the paper; empty if none was kept.
    """

    KIND: ClassVar[str] = "transcript"
    PREFIX: ClassVar[str] = "P"
    by: str
    at_ms: int
    from_ms: int
    until_ms: int
    lines: tuple[Text, ...]
    picture_sha256: str = ""

    def when_ms(self) -> int:
        """By the downtime."""
        return self.from_ms
