"""What the collector itself writes into the ledger; `collector/record/` is what people say."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from soak.closure import Closure
from soak.requirement import Requirement, SensorTerms
from soak.wire import Commissioned


class Machine(msgspec.Struct, frozen=True, omit_defaults=True):
    """Base of the collector's own records."""

    KIND: ClassVar[str]


class SiteNamed(Machine, frozen=True, omit_defaults=True):
    """The site is called so from now on."""

    KIND: ClassVar[str] = "site-named"
    name: str


class BasinKnown(Machine, frozen=True, omit_defaults=True):
    """A basin is described so from now on, or was heard of for the first time.

    Attributes:
        basin: "node/name".
        label: As people call it.
        place: Where it stands.
    """

    KIND: ClassVar[str] = "basin"
    basin: str
    label: str
    place: str = ""


class Required(Machine, frozen=True, omit_defaults=True):
    """The settings require this of a basin from `since_ms` (milliseconds since 1970) on."""

    KIND: ClassVar[str] = "requirement"
    basin: str
    since_ms: int
    requirement: Requirement | None
    sensors: dict[str, SensorTerms]


class BootSynchronised(Machine, frozen=True, omit_defaults=True):
    """The earliest moment of a node's boot at which its wall clock was known to be synchronised.

    Attributes:
        node: Its name.
        boot: The boot.
        ms: On its uninterrupted clock.
        utc_ms: The same moment, milliseconds since 1970.
    """

    KIND: ClassVar[str] = "clock-synchronised"
    node: str
    boot: str
    ms: int
    utc_ms: int


class ClockNoted(Machine, frozen=True, omit_defaults=True):
    """A wall clock was found not to be synchronised, or to be so again; one that comes and goes, once an hour.

    Attributes:
        node: Whose; empty: the collector's own.
        synced: It is synchronised.
        since_ms: Since when, as far as the collector saw it, milliseconds since 1970 on its own clock.
    """

    KIND: ClassVar[str] = "clock-noted"
    node: str
    synced: bool
    since_ms: int


class StreamBegun(Machine, frozen=True, omit_defaults=True):
    """A stream was heard of for the first time.

    Attributes:
        stream: Its id.
        basin: "node/name".
        boot: The node's boot.
    """

    KIND: ClassVar[str] = "stream"
    stream: str
    basin: str
    boot: str


class PageSealed(Machine, frozen=True, omit_defaults=True):
    """Readings are on a page.

    Attributes:
        stream: Their stream.
        first: Number of the first reading.
        last: Number of the last.
        sha256: Of the page's uncompressed bytes.
        kept_crc32: Of the page as it is kept, compressed: several spellings unpack to the same bytes, and a change
            from one to the other is damage, not another content.
    """

    KIND: ClassVar[str] = "page"
    stream: str
    first: int
    last: int
    sha256: str
    kept_crc32: int


class Lost(Machine, frozen=True, omit_defaults=True):
    """Readings that the node no longer holds and that never came.

    Attributes:
        stream: Their stream.
        first: Number of the first.
        last: Number of the last.
        noticed_ms: When that was noticed.
        found_ms: When they came after all.
    """

    KIND: ClassVar[str] = "lost"
    stream: str
    first: int
    last: int
    noticed_ms: int
    found_ms: int | None = None


class Found(Machine, frozen=True, omit_defaults=True):
    """Readings that were thought lost have come."""

    KIND: ClassVar[str] = "found"
    stream: str
    first: int
    last: int
    found_ms: int


class ClosureJudged(Machine, frozen=True, omit_defaults=True):
    """A closure has ended, or was judged again.

    Attributes:
        stream: Its stream.
        closing_utc_ms: When it began, milliseconds since 1970.
        clock_synced: That time can be trusted.
        closure: Everything the rule says.
        dated_back_ms: How long after its closing the clock was synchronised that dates it.
        assessed_ms: When it was judged, if not when this was recorded.
        supersedes: Numbers of the records whose verdicts no longer stand.
        closing_read_utc_ms: The date of its first reading by the clock that came with that, where the clock was set
            while it was closed: what was in force then judged it.
    """

    KIND: ClassVar[str] = "closure"
    stream: str
    closing_utc_ms: int
    clock_synced: bool
    closure: Closure
    dated_back_ms: int | None = None
    assessed_ms: int | None = None
    supersedes: list[int] = []
    closing_read_utc_ms: int | None = None


class BackupMade(Machine, frozen=True, omit_defaults=True):
    """A backup was taken and verified.

    Attributes:
        name: Of its folder.
        folder: Where it was put.
        made_ms: When the database was copied, milliseconds since 1970.
        records: How many records its ledger has.
        hash: Of the last of them.
        bytes: Of all its files.
    """

    KIND: ClassVar[str] = "backup-made"
    name: str
    folder: str
    made_ms: int
    records: int
    hash: str
    bytes: int


class NodeCommissioned(Machine, frozen=True, omit_defaults=True):
    """A node says that it was commissioned: recorded once for each commissioning, known by its id.

    Attributes:
        node: The node's name.
        at_utc_ms: When it was filed there, milliseconds since 1970 by the node's wall clock, at most a day ahead of the
            collector's; `commissioned.synced` says whether that can be trusted.
        commissioned: What was looked at, and what was found.
    """

    KIND: ClassVar[str] = "node-commissioned"
    node: str
    at_utc_ms: int
    commissioned: Commissioned


class NodeEnrolled(Machine, frozen=True, omit_defaults=True):
    """A node got a login at the broker; one that it had before ended.

    Attributes:
        node: Its name.
        host: The machine on which that was done.
        again: It had one before.
    """

    KIND: ClassVar[str] = "node-enrolled"
    node: str
    host: str
    again: bool = False


class NodeRevoked(Machine, frozen=True, omit_defaults=True):
    """A node's login ended: the broker refuses it.

    Attributes:
        node: Its name.
        host: The machine on which that was done.
    """

    KIND: ClassVar[str] = "node-revoked"
    node: str
    host: str
