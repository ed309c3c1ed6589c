"""What a bundle should hold and does not: named in it, and never left out in silence."""

from __future__ import annotations

import msgspec

from collector.errors import CollectorError


class Missing(msgspec.Struct, frozen=True, omit_defaults=True):
    """One thing that should be in a bundle and cannot be.

    Attributes:
        what: "page", "record", "picture" or "row" (of readings that no page holds yet).
        text: What is wrong with it.
        stream: Of a page.
        first: Number of its first reading.
        last: Number of its last.
        record: The record that names it.
    """

    what: str
    text: str
    stream: str | None = None
    first: int | None = None
    last: int | None = None
    record: int | None = None

    def words(self) -> str:
        """In one line."""
        named = "" if self.record is None else f"Record {self.record}: "
        return f"{named}{self.text}"


class Unsealed(msgspec.Struct, frozen=True):
    """Readings in the range that no page holds yet, so that nothing in the bundle proves them."""

    basin: str
    stream: str
    first: int
    last: int
    readings: int


class IncompleteError(CollectorError):
    """Something that should be in the bundle is damaged or not there.

    Attributes:
        missing: What.
    """

    def __init__(self, missing: list[Missing]) -> None:
        self.missing = missing
        count = f"{len(missing)} thing{'s' if len(missing) > 1 else ''}"
        super().__init__(
            f"{count} that the bundle must hold cannot be put into it; no bundle was made. Restore the data from a "
            "backup and try again; with --incomplete a bundle is made that says what it lacks."
        )


class EmptyRangeError(CollectorError):
    """There is nothing in the range."""


class NewerRecordError(CollectorError):
    """A record that this version may misunderstand."""
