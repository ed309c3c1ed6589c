"""What the ledger's records say, gathered in one walk: pages, standing verdicts, documents, pictures."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import Any, NamedTuple

from collector.ledger import Record
from collector.machine import ClosureJudged, PageSealed, SiteNamed, StreamBegun
from collector.projections import MACHINE
from collector.record.patch import patched
from collector.verify_pictures import digests
from soak.closure import Edge
from soak.decoding import from_json

PROFILE_KINDS = ("profile", "fill", "bottle", "strip-bottle", "mec-test")
"""Kinds of documents in profiles.json."""

CHECK_KINDS = ("sensor-check", "thermometer", "reference", "mapping")
"""Kinds of documents in checks.json."""


class PageAt(NamedTuple):
    """A page as its record names it.

    Attributes:
        first: Number of its first reading.
        last: Number of its last.
        record: The record's number.
    """

    first: int
    last: int
    record: int


class Standing(NamedTuple):
    """A verdict that nothing has superseded.

    Attributes:
        record: Its record's number.
        stream: Its closure's stream.
        first: Number of the closure's first reading.
        last: Number of its last.
        closing_utc_ms: When it began, milliseconds since 1970.
        last_utc_ms: When its last reading was taken.
        closing_seen: The lid was seen to close.
        ended_by: Number of the reading that ended it; None where its stream ended.
    """

    record: int
    stream: str
    first: int
    last: int
    closing_utc_ms: int
    last_utc_ms: int
    closing_seen: bool
    ended_by: int | None


class Told:
    """Follows the records from the first to the last."""

    def __init__(self) -> None:
        self.site_name = ""
        self.basins: dict[str, str] = {}
        """By stream, its basin."""
        self.documents: dict[str, dict[str, Any]] = {kind: {} for kind in (*PROFILE_KINDS, *CHECK_KINDS)}
        self.pictures: dict[str, int] = {}
        """Digests that people's records name, with the first record that does."""
        self._pages: dict[str, list[PageAt]] = {}
        self._standing: dict[int, Standing] = {}
        self._in_order = False

    def follow(self, record: Record) -> None:
        """Take in the next record."""
        if record.kind not in MACHINE:
            self._follow_people(record)
            return
        match body := from_json(record.body, MACHINE[record.kind]):
            case PageSealed():
                self._pages.setdefault(body.stream, []).append(PageAt(body.first, body.last, record.number))
                self._in_order = False
            case ClosureJudged():
                self._judged(record.number, body)
            case StreamBegun():
                self.basins.setdefault(body.stream, body.basin)
            case SiteNamed():
                self.site_name = body.name
            case _:
                pass

    def _follow_people(self, record: Record) -> None:
        content = record.content()
        for kind, by_id in content.get("changes", {}).items():
            if (documents := self.documents.get(kind)) is not None:
                for thing_id, patch in by_id.items():
                    documents[thing_id] = patched(documents.get(thing_id), patch)
        if "_sha256" in record.body:
            for digest in digests(content):
                self.pictures.setdefault(digest, record.number)

    def _judged(self, number: int, body: ClosureJudged) -> None:
        for earlier in body.supersedes:
            self._standing.pop(earlier, None)
        closure = body.closure
        self._standing[number] = Standing(
            number,
            body.stream,
            closure.first,
            closure.last,
            body.closing_utc_ms,
            body.closing_utc_ms + closure.closed_ms,
            closure.closing_seen,
            None if closure.opening_edge is Edge.STREAM_END else closure.last + closure.lost_after + 1,
        )

    def standing(self) -> list[Standing]:
        """Every verdict that stands, by its closing."""
        return sorted(self._standing.values(), key=lambda each: (each.closing_utc_ms, each.record))

    def streams(self) -> Iterator[str]:
        """Every stream that has a page."""
        yield from self._pages

    def pages(self, stream: str) -> list[PageAt]:
        """A stream's pages by their numbers."""
        if not self._in_order:
            for each in self._pages.values():
                each.sort()
            self._in_order = True
        return self._pages.get(stream, [])

    def page_of(self, stream: str, number: int) -> PageAt | None:
        """The page that holds a reading; None if none does."""
        pages = self.pages(stream)
        index = bisect_right(pages, number, key=lambda page: page.first) - 1
        return pages[index] if index >= 0 and pages[index].last >= number else None

    def before(self, stream: str, number: int) -> int | None:
        """The highest number below this one that a page holds."""
        pages = self.pages(stream)
        index = bisect_left(pages, number, key=lambda page: page.first) - 1
        return min(pages[index].last, number - 1) if index >= 0 else None

    def after(self, stream: str, number: int) -> int | None:
        """The lowest number above this one that a page holds."""
        pages = self.pages(stream)
        index = bisect_right(pages, number, key=lambda page: page.last)
        return max(pages[index].first, number + 1) if index < len(pages) else None
