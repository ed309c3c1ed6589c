"""Many papers in one ZIP, with a manifest that names every one, and every soak that has none with the reason."""

from __future__ import annotations

import hashlib
import io
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

import msgspec

from collector.evidence.issue import Made, make
from collector.record import shelf
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.papers.issuing import IssueDisinfectionRecord
from collector.record.rounds.unassigned import load_over
from collector.record.things import Device, Issued, Turn
from soak.quantity import utc_text

MANIFEST: Final = "manifest.json"
MOST: Final = 20_000
"""In one ZIP: a year of a busy site with all its closures fits."""


class Wanted(msgspec.Struct, frozen=True, omit_defaults=True):
    """Which soaks.

    Attributes:
        since_ms: Their lid was closed at or after this time, milliseconds since 1970.
        until_ms: And before this.
        basin: In this basin only, "node/name".
        device: That this device lay in only.
        every: Also closures that nobody has put a load on; most are basins standing with the lid on.
    """

    since_ms: int
    until_ms: int
    basin: str = ""
    device: str = ""
    every: bool = False


class Soak(NamedTuple):
    """A closure as the ZIP lists it."""

    key: str
    basin: str
    closing_ms: int
    verdict: str


class Chosen(NamedTuple):
    """The soaks wanted, oldest first, and how many closures of the range are left out because no load is on them."""

    soaks: list[Soak]
    without_load: int


class Paper(msgspec.Struct, frozen=True):
    """A paper in the ZIP.

    Attributes:
        file: Its name there.
        sha256: Of the file.
        size: In bytes.
        soak: "stream:first".
        basin: "node/name".
        closed_utc: When the lid was closed.
        verdict: Of the soak.
        issue: Its id.
        number: The record of its issue.
        hash: That record's, the chain's head then.
        bytes_as_issued: False where another typesetter than at its issue set it: the same words in other bytes.
    """

    file: str
    sha256: str
    size: int
    soak: str
    basin: str
    closed_utc: str
    verdict: str
    issue: str
    number: int
    hash: str
    bytes_as_issued: bool


class Missing(msgspec.Struct, frozen=True):
    """A soak, or a paper issued before, that is not in the ZIP, and why."""

    soak: str
    basin: str
    closed_utc: str
    verdict: str
    rule: str
    reason: str


class Manifest(msgspec.Struct, frozen=True):
    """What is in the ZIP and what is not; its last file.

    Attributes:
        what: What this is.
        asked: What was asked for.
        papers: In it.
        not_in_it: Asked for, and not in it.
        closures_without_load: Of the range, left out because `every` was not asked for.
    """

    what: str
    asked: Wanted
    papers: list[Paper]
    not_in_it: list[Missing]
    closures_without_load: int


def chosen(connection: sqlite3.Connection, wanted: Wanted, at_ms: int) -> Chosen:
    """The soaks that are wanted: closures whose verdict stands.

    Raises:
        RefusedError: There is no such basin or device, or there are too many for one ZIP.
    """
    book = Book.looking(connection, at_ms)
    if wanted.device and shelf.find(connection, Device, wanted.device) is None:
        raise RefusedError("unknown-device", f"There is no device {wanted.device!r}.", "Compare its label.")
    if wanted.basin:
        known = [f"{node}/{name}" for node, name in connection.execute("SELECT node, name FROM basin ORDER BY id")]
        if wanted.basin not in known:
            text = f"There is no basin {wanted.basin!r}."
            raise RefusedError("unknown-basin", text, f"There are: {', '.join(known) or 'none'}.")
    rounds = shelf.find_all(connection, Turn, group=wanted.device) if wanted.device else []
    rows = connection.execute(
        """SELECT s.stream || ':' || c.first, b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms, c.verdict
           FROM closure c JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id
           WHERE c.superseded_by IS NULL AND c.closing_utc_ms >= ? AND c.closing_utc_ms < ?
           ORDER BY c.closing_utc_ms, c.id""",
        (wanted.since_ms, wanted.until_ms),
    )
    soaks, without_load = list[Soak](), 0
    for key, basin, closing_ms, last_ms, verdict in rows.fetchall():
        if wanted.basin not in ("", basin):
            continue
        if wanted.device:
            if not any(_lay(turn, basin, closing_ms, last_ms) for turn in rounds):
                continue
        elif not wanted.every and load_over(book, basin, closing_ms) is None:
            without_load += 1
            continue
        soaks.append(Soak(key, basin, closing_ms, verdict))
        if len(soaks) > MOST:
            raise RefusedError("too-many", f"That is more than {MOST:,} soaks.", "Ask for a shorter time.")
    return Chosen(soaks, without_load)


def _lay(turn: Turn, basin: str, closing_ms: int, last_ms: int) -> bool:
    """The round's device was in the basin while the lid was closed, if only for a part of it."""
    return (
        turn.basin == basin
        and turn.in_ms is not None
        and turn.in_ms <= last_ms
        and (turn.out_ms is None or turn.out_ms >= closing_ms)
    )


class Parcel:
    """A ZIP that is written as it grows: nothing of it stays in memory but the list.

    Args:
        asked: What was asked for.
        without_load: Closures left out.
    """

    def __init__(self, asked: Wanted, without_load: int) -> None:
        self._out = _Growing()
        self._zip = zipfile.ZipFile(self._out, "w", zipfile.ZIP_STORED)  # PDFs are compressed inside
        self.manifest = Manifest("Disinfection records of Soakledger", asked, [], [], without_load)

    def add(self, made: Made) -> bytes:
        """Put a paper in.

        Returns:
            What the ZIP has grown by.
        """
        issued = made.issued
        self._write(made.name, made.content, made.record.at_ms)
        paper = Paper(
            file=made.name,
            sha256=hashlib.sha256(made.content).hexdigest(),
            size=len(made.content),
            soak=issued.subject,
            basin=issued.basin,
            closed_utc=utc_text(issued.about_ms),
            verdict=issued.verdict,
            issue=issued.id,
            number=made.record.number,
            hash=made.record.hash,
            bytes_as_issued=made.as_then,
        )
        self.manifest.papers.append(paper)
        return self._out.taken()

    def miss(self, soak: Soak, refusal: RefusedError) -> None:
        """A soak has no paper."""
        self.manifest.not_in_it.append(
            Missing(soak.key, soak.basin, utc_text(soak.closing_ms), soak.verdict, refusal.rule, str(refusal))
        )

    def close(self, at_ms: int) -> bytes:
        """The manifest, and the end of the ZIP."""
        content = msgspec.json.format(msgspec.json.encode(self.manifest), indent=1) + b"\n"
        self._write(MANIFEST, content, at_ms)
        self._zip.close()
        return self._out.taken()

    def _write(self, name: str, content: bytes, at_ms: int) -> None:
        text = utc_text(at_ms)
        date = (int(text[:4]), int(text[5:7]), int(text[8:10]), int(text[11:13]), int(text[14:16]), int(text[17:19]))
        self._zip.writestr(zipfile.ZipInfo(name, date), content)


class _Growing(io.RawIOBase):
    """What a ZIP is written to; whoever sends it takes what has come."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        part = bytes(data)  # type: ignore[call-overload]
        self._parts.append(part)
        return len(part)

    def taken(self) -> bytes:
        parts, self._parts = self._parts, []
        return b"".join(parts)


def issue_one(desk: Desk, who: str, soak: Soak, reason: str, *, second_factor: bool) -> Made:
    """Issue the paper of one soak and make it.

    Raises:
        RefusedError: A rule stands against it.
    """
    done = desk.do(IssueDisinfectionRecord(closure=soak.key, reason=reason), who, second_factor=second_factor)
    return make(desk.connection, done.id)


def zipped(
    desk: Desk, who: str, wanted: Wanted, reason: str, *, say: Callable[[int, int], None] = lambda _done, _all: None
) -> Iterator[bytes | Manifest]:
    """Issue every paper wanted; the ZIP in pieces, its manifest last.

    Args:
        desk: Where.
        who: Who asks for it.
        wanted: Which soaks.
        reason: What for.
        say: Told how many of how many are done.

    Raises:
        RefusedError: What is asked for makes no sense; nothing was issued.
    """
    found = chosen(desk.connection, wanted, desk.clock())
    if not found.soaks:
        raise RefusedError(
            "nothing-in-it",
            f"Nothing was soaked then; {found.without_load} closures without a load are left out.",
            "Ask for another time, or for every closure.",
        )
    parcel = Parcel(wanted, found.without_load)
    for count, soak in enumerate(found.soaks, 1):
        try:
            yield parcel.add(issue_one(desk, who, soak, reason, second_factor=False))
        except RefusedError as refusal:
            if refusal.rule in ("role", "not-signed-in", "clock-behind"):
                raise
            parcel.miss(soak, refusal)
        say(count, len(found.soaks))
    yield parcel.close(desk.clock())
    yield parcel.manifest


def issued_between(connection: sqlite3.Connection, since_ms: int, until_ms: int) -> list[Issued]:
    """Papers issued in a time range, oldest first."""
    return shelf.find_all(connection, Issued, since_ms=since_ms, until_ms=until_ms)
