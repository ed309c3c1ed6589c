"""The ledger held against the truth: each check gives what is wrong, in words. Reads the database with its own eyes."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import NamedTuple

import msgspec

from collector.page import seal, unseal
from collector.read import BasinNow
from collector.readings import Rows
from collector.rebuild import rebuild_folder
from collector.schema import FILE_NAME
from collector.verify import verify
from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.ranges import Ranges
from soak.reading import Reading
from soak.requirement import Requirement, SensorTerms
from tests.chaos.alarms import check_alarms, told
from tests.chaos.clinic import Clinic, Spot
from tests.chaos.program import CONTACT_MS
from tests.chaos.truth import LidClosed, TrueStream, Truth

_MOST_TOLD = 5

LATE_MS = 10_000
"""How much later than a lid moved a busy machine may look at it, in rehearsal time; soaks that are too short are so by
more than this."""


class Outcome(NamedTuple):
    """One check.

    Attributes:
        name: What must hold.
        problems: Where it does not.
        looked_at: How much was looked at, in words.
    """

    name: str
    problems: list[str]
    looked_at: str = ""

    def line(self) -> str:
        """As it is printed."""
        if not self.problems:
            return f"ok    {self.name}" + (f": {self.looked_at}" if self.looked_at else "")
        more = len(self.problems) - _MOST_TOLD
        told = self.problems[:_MOST_TOLD] + ([f"and {more} more"] if more > 0 else [])
        return "\n".join([f"FAIL  {self.name}", *(f"        {problem}" for problem in told)])


@dataclass(frozen=True)
class Pages:
    """One page as it lies in the database."""

    first: int
    last: int
    sha256: str
    body: bytes


@dataclass
class StoredStream:
    """One stream as it lies in the database.

    Attributes:
        counted: How many readings the stream's row says there are.
        over: It says that a newer one has taken its place.
        pages: Its sealed pages.
        rows: First and last number and readings of each row that no page holds.
        closures: The standing verdicts.
    """

    counted: int
    over: bool
    pages: list[Pages]
    rows: list[tuple[int, int, list[Reading]]]
    closures: list[Closure]

    def runs(self) -> list[tuple[int, int]]:
        """First and last number of everything, as it lies there: not put together, not sorted."""
        return [(page.first, page.last) for page in self.pages] + [(first, last) for first, last, _ in self.rows]

    def readings(self) -> Iterator[tuple[int, Reading]]:
        """Everything, in no order, twice what is there twice."""
        for page in self.pages:
            first, readings, _ = unseal(page.body, page.sha256)
            yield from enumerate(readings, first)
        for first, _, readings in self.rows:
            yield from enumerate(readings, first)


class Ledger:
    """The database of a collector that does not run."""

    def __init__(self, clinic: Clinic) -> None:
        self.path = clinic.data_dir / FILE_NAME
        with closing(sqlite3.connect(f"{self.path.as_uri()}?mode=ro", uri=True)) as database:
            self.complaints = [str(row[0]) for row in database.execute("PRAGMA integrity_check")]
            self.orphans = database.execute("PRAGMA foreign_key_check").fetchall()
            self.lost = database.execute("SELECT stream_id, first, last FROM lost").fetchall()
            self.parked = database.execute("SELECT topic, reason, detail FROM parked").fetchall()
            ids = dict(database.execute("SELECT stream, id FROM stream").fetchall())
            self.streams = {stream: _stored(database, stream_id) for stream, stream_id in ids.items()}
            self.now = {
                (node, name): msgspec.json.decode(body, type=BasinNow)
                for node, name, body in database.execute(
                    "SELECT b.node, b.name, n.body FROM now n JOIN basin b ON b.id = n.basin_id"
                )
            }


def _stored(database: sqlite3.Connection, stream_id: int) -> StoredStream:
    def ask(sql: str) -> list[tuple[object, ...]]:
        return database.execute(sql, (stream_id,)).fetchall()

    (counted, over) = database.execute("SELECT stored, over FROM stream WHERE id = ?", (stream_id,)).fetchone()
    decoded = msgspec.msgpack.Decoder(Rows).decode
    rows = database.execute("SELECT first, last, body FROM batch WHERE stream_id = ?", (stream_id,))
    standing = "SELECT body FROM judged WHERE stream_id = ? AND superseded_by IS NULL ORDER BY first, id"
    return StoredStream(
        counted,
        bool(over),
        [Pages(*row) for row in ask("SELECT first, last, sha256, body FROM page WHERE stream_id = ?")],  # type: ignore[arg-type]
        [(first, last, decoded(body).readings) for first, last, body in rows],
        [msgspec.json.decode(body, type=Closure) for (body,) in ask(standing)],  # type: ignore[arg-type]
    )


def check_ledger(clinic: Clinic, truth: Truth) -> list[Outcome]:
    """Everything that must hold once all has drained and all parts have ended."""
    try:
        ledger = Ledger(clinic)
    except (sqlite3.Error, msgspec.DecodeError) as error:
        return [Outcome("the ledger can be read", [f"{clinic.data_dir}: {error}"])]
    kept, verdicts = truth.kept(), sum(len(stream.closures) for stream in ledger.streams.values())
    pages = sum(len(stream.pages) for stream in ledger.streams.values())
    checks: list[tuple[str, Callable[[], Iterable[str]], str]] = [
        ("SQLite finds nothing wrong with the ledger's file", lambda: _sound(ledger), ""),
        ("none lost: all that an outbox committed is in the ledger", lambda: _lost(ledger, truth), f"{kept} readings"),
        ("none twice", lambda: _twice(ledger), f"{len(ledger.streams)} streams"),
        ("none that no outbox committed", lambda: _invented(ledger, truth), ""),
        ("content equal", lambda: _unequal(ledger, truth), f"{kept} readings"),
        ("nothing recorded lost, nothing set aside", lambda: _noted(ledger), ""),
        ("same digests: a page's bytes give the digest stored for it", lambda: _digests(ledger), f"{pages} pages"),
        ("same digests: a page sealed again from what was taken", lambda: _sealed_again(ledger, truth), ""),
        ("the chain and every page hold", lambda: _chain(clinic), ""),
        (
            "every table follows from ledger and pages",
            lambda: rebuild_folder(clinic.data_dir, keep=False).differing,
            "",
        ),
        ("same verdicts as a quiet assessment", lambda: _verdicts(clinic, ledger, truth), f"{verdicts} closures"),
        ("same closures in progress as a quiet assessment", lambda: _running(clinic, ledger, truth), ""),
        ("no verdict better than what lids and basins did", lambda: _better(ledger, truth), _by_verdict(ledger)),
        ("what was watched from closing to opening is judged as it was", lambda: _as_it_was(ledger, truth), ""),
        ("one alarm for each lid opened early, and none else", lambda: check_alarms(ledger.path), _alarms(ledger)),
    ]
    return [Outcome(name, _said(check), looked_at) for name, check, looked_at in checks]


def _chain(clinic: Clinic) -> Iterator[str]:
    outcome = verify(clinic.data_dir, processes=1)
    if outcome.wrong:
        yield f"record {outcome.wrong.number}: {outcome.wrong.text}"


def _said(check: Callable[[], Iterable[str]]) -> list[str]:
    try:
        return list(check())
    except Exception as error:  # what cannot be read is a failed check, and the others go on
        return [f"it cannot be checked: {error!r}"]


def _by_verdict(ledger: Ledger) -> str:
    verdicts = [closure.verdict for stream in ledger.streams.values() for closure in stream.closures]
    return ", ".join(f"{verdicts.count(each)} {each.value}" for each in Verdict if each is not Verdict.RUNNING)


def _alarms(ledger: Ledger) -> str:
    try:
        return told(ledger.path)
    except (sqlite3.Error, LookupError, ValueError):  # what cannot be read is told by the check
        return ""


def _sound(ledger: Ledger) -> Iterator[str]:
    if ledger.complaints != ["ok"]:
        yield from ledger.complaints
    for orphan in ledger.orphans:
        yield f"a row belongs to nothing: {orphan}"


def _lost(ledger: Ledger, truth: Truth) -> Iterator[str]:
    for name, stream in truth.streams.items():
        stored = Ranges(ledger.streams[name].runs() if name in ledger.streams else ())
        missing = [piece for each in stream.kept for piece in stored.missing(*each)]
        if missing:
            yield f"{stream}: {missing} of {list(stream.kept)} are missing"


def _twice(ledger: Ledger) -> Iterator[str]:
    """A row may begin on the page before it, whose readings it then repeats: only what lies beyond is its own."""
    for name, stream in ledger.streams.items():
        paged = Ranges()
        for page in sorted(stream.pages, key=lambda page: page.first):
            if paged.missing(page.first, page.last) != [(page.first, page.last)]:
                yield f"stream {name[:8]}: the page from {page.first} to {page.last} repeats another"
            paged.add(page.first, page.last)
        seen = Ranges(paged)
        for first, last, _ in sorted(stream.rows, key=lambda row: row[:2]):
            own = paged.missing(first, last)
            if own != [(max(first, (paged.before(last) or 0) + 1), last)]:
                yield f"stream {name[:8]}: the row from {first} to {last} has nothing of its own, or a page within it"
            for piece in own:
                if seen.missing(*piece) != [piece]:
                    yield f"stream {name[:8]}: the row from {first} to {last} repeats another"
                seen.add(*piece)
        if seen.count() != stream.counted:
            yield f"stream {name[:8]}: {seen.count()} readings, and its row counts {stream.counted}"


def _invented(ledger: Ledger, truth: Truth) -> Iterator[str]:
    for name, stored in ledger.streams.items():
        kept = truth.streams[name].kept if name in truth.streams else Ranges()
        if beyond := [piece for each in Ranges(stored.runs()) for piece in kept.missing(*each)]:
            yield f"stream {name[:8]}: {beyond} were never committed by an outbox"


def _unequal(ledger: Ledger, truth: Truth) -> Iterator[str]:
    for name, stored in ledger.streams.items():
        taken = truth.streams[name].taken
        for number, reading in stored.readings():
            if reading != taken.get(number):
                yield f"stream {name[:8]}: reading {number} is {reading}, was {taken.get(number)}"


def _noted(ledger: Ledger) -> Iterator[str]:
    yield from (f"recorded lost: {first} to {last} of stream {stream}" for stream, first, last in ledger.lost)
    yield from (f"set aside: {reason} on {topic}: {detail}" for topic, reason, detail in ledger.parked)


def _digests(ledger: Ledger) -> Iterator[str]:
    """With the standard library alone, as an auditor would."""
    for name, stream in ledger.streams.items():
        for page in stream.pages:
            content = zlib.decompress(page.body)
            said = json.loads(content)
            if hashlib.sha256(content).hexdigest() != page.sha256:
                yield f"stream {name[:8]}: the page from {page.first} to {page.last} does not give its digest"
            count = sum(length for _, length in said["why"])
            if (said["stream"], said["first"], said["first"] + count - 1) != (name, page.first, page.last):
                yield f"stream {name[:8]}: the page from {page.first} to {page.last} holds something else"


def _sealed_again(ledger: Ledger, truth: Truth) -> Iterator[str]:
    for name, stream in ledger.streams.items():
        for page in stream.pages:
            _, _, anchors = unseal(page.body, page.sha256)
            readings = [truth.streams[name].taken[number] for number in range(page.first, page.last + 1)]
            sha256, _ = seal(name, page.first, readings, anchors)
            if sha256 != page.sha256:
                yield f"stream {name[:8]}: the page from {page.first} to {page.last} comes out otherwise"


def _quiet(clinic: Clinic, stream: TrueStream, *, newer: bool) -> tuple[list[Closure], Closure | None]:
    """The rule over what was committed, in order, each once."""
    required, terms = _needs(clinic, stream.spot)
    meter = Meter(required, terms)
    ended = [closure for number, reading in stream.readings() if (closure := meter.feed(number, reading))]
    if newer and (closure := meter.end()):
        ended.append(closure)
    return ended, meter.running()


def _needs(clinic: Clinic, spot: Spot) -> tuple[Requirement | None, dict[str, SensorTerms]]:
    for basin in clinic.settings().basin:
        if (basin.node, basin.name) == (spot.node, spot.basin):
            return basin.required(), basin.terms()
    raise LookupError(spot)


def _verdicts(clinic: Clinic, ledger: Ledger, truth: Truth) -> Iterator[str]:
    for spot in clinic.spots:
        streams = truth.of(spot)
        for stream in streams:
            quiet, _ = _quiet(clinic, stream, newer=stream is not streams[-1])
            name = stream.begun.stream
            stored = ledger.streams[name].closures if name in ledger.streams else []
            if stored != quiet:
                yield f"{stream}: {_differences(stored, quiet)}"


def _differences(stored: Sequence[Closure], quiet: Sequence[Closure]) -> str:
    only_stored = [closure for closure in stored if closure not in quiet]
    only_quiet = [closure for closure in quiet if closure not in stored]
    if not only_stored and not only_quiet:
        return f"{len(stored)} verdicts stand in the place of {len(quiet)}"
    return f"the ledger says {_brief(only_stored)}, a quiet assessment {_brief(only_quiet)}"


def _brief(closures: Iterable[Closure]) -> str:
    told = [
        f"{each.first}-{each.last} {each.verdict.value} credited {each.credited_ms} ms "
        f"({each.closing_edge.value}/{each.opening_edge.value})"
        for each in closures
    ]
    return "; ".join(told) or "nothing"


def _running(clinic: Clinic, ledger: Ledger, truth: Truth) -> Iterator[str]:
    for spot in clinic.spots:
        streams = truth.of(spot)
        if not streams:
            continue
        shown = ledger.now.get((spot.node, spot.basin))
        _, running = _quiet(clinic, streams[-1], newer=False)
        if shown is None or shown.stream != streams[-1].begun.stream or shown.number != streams[-1].kept.last:
            yield f"{streams[-1]}: its newest reading is {streams[-1].kept.last}, shown is {shown}"
        elif shown.closure != running:
            yield f"{streams[-1]}: shown is {_brief([shown.closure] if shown.closure else [])}"


def _better(ledger: Ledger, truth: Truth) -> Iterator[str]:
    """What is met was closed for so long, as the simulator moved the lid, in a basin in which soaks can be met."""
    for name, stored in ledger.streams.items():
        stream = truth.streams[name]
        for closure in stored.closures:
            if closure.verdict is not Verdict.MET:
                continue
            if stream.spot.cold:
                yield f"{stream}: {_brief([closure])}, in a cold basin"
            possible = [each for each in stream.lids if _within(stream, closure, each)]
            if not any(each.perhaps_ms is None or each.perhaps_ms + LATE_MS >= CONTACT_MS for each in possible):
                yield f"{stream}: {_brief([closure])}, and its lid was closed {stream.lids}"


def _as_it_was(ledger: Ledger, truth: Truth) -> Iterator[str]:
    for name, stored in ledger.streams.items():
        stream = truth.streams[name]
        for closure in stored.closures:
            if not closure.closing_seen or not closure.opening_seen:
                continue
            for lid in stream.lids:
                if lid.perhaps_ms is None or lid.surely_ms is None or not _within(stream, closure, lid):
                    continue
                if lid.perhaps_ms + LATE_MS < CONTACT_MS and closure.verdict is not Verdict.NOT_MET:
                    yield f"{stream}: {_brief([closure])}, and it was closed for {lid.perhaps_ms} ms at most"
                enough = lid.surely_ms >= CONTACT_MS + LATE_MS and not stream.spot.cold
                if enough and closure.verdict is Verdict.NOT_MET:
                    yield f"{stream}: {_brief([closure])}, and it was closed for {lid.surely_ms} ms at least"


def _within(stream: TrueStream, closure: Closure, lid: LidClosed) -> bool:
    """Whether a closure's readings lie within a time in which the lid was closed."""
    closing_ms, last_ms = closure.closing_ms + stream.begun.offset_ms, closure.last_ms + stream.begun.offset_ms
    ends = lid.opened_ms is None or last_ms <= lid.opened_ms[1] + LATE_MS
    return lid.closed_ms[0] - LATE_MS <= closing_ms and ends
