"""Papers that were issued."""

from __future__ import annotations

from typing import ClassVar

from collector.record.things.base import Thing


class Issued(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A paper was issued; the record that says so holds everything that it says, so that it can be made again.

    Attributes:
        paper: What it is: "disinfection-record".
        subject: What it is about: a closure as "stream:first".
        title: Its title, as on the paper.
        basin: The basin, where there is one, as "node/name".
        about_ms: The time that it is about: the closing of the soak.
        verdict: Of the soak; with its record, for a paper may be about one that no longer stands.
        verdict_number: That record.
        at_ms: When it was issued.
        by: Who asked for it.
        reason: What for, in their words.
    """

    KIND: ClassVar[str] = "issued"
    PREFIX: ClassVar[str] = "E"
    paper: str
    subject: str
    title: str
    basin: str = ""
    about_ms: int
    verdict: str = ""
    verdict_number: int = 0
    at_ms: int
    by: str
    reason: str = ""

    def group(self) -> str:
        """By what it is about."""
        return self.subject

    def when_ms(self) -> int:
        """By its issue."""
        return self.at_ms


class PeriodReport(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A period report was issued; the record that says so holds everything that it says.

    Attributes:
        title: Its title, as on the paper.
        first: First day that it is about.
        last: Last day.
        basin: The one basin that was asked for, as "node/name".
        place: The one place that was asked for.
        at_ms: When it was issued.
        by: Who asked for it.
        reason: What for, in their words.
    """

    KIND: ClassVar[str] = "period-report"
    PREFIX: ClassVar[str] = "PR"
    title: str
    first: str
    last: str
    basin: str = ""
    place: str = ""
    at_ms: int
    by: str
    reason: str = ""

    def when_ms(self) -> int:
        """By its issue."""
        return self.at_ms
