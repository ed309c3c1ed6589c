"""The store's writing side: one connection, one transaction per batch of messages. SQL lives here, decisions do not."""

from __future__ import annotations

import fcntl
import hashlib
import logging
import secrets
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from collector import machine, projections
from collector.assessor import Ended
from collector.clock import UtcClock
from collector.commissionings import Commissionings
from collector.errors import DataError
from collector.ledger import Ledger, head
from collector.read import BasinNow
from collector.readings import SAME_CLOCK_MS, Anchors, Synchronised, pack
from collector.required import Required, TermsTold, required_of, settings_of, terms_told
from collector.schema import FILE_NAME, connect, migrate
from collector.settings import BasinSettings, Settings
from soak.closure import Closure
from soak.decoding import from_json
from soak.ranges import Range, Ranges
from soak.reading import Reading
from soak.requirement import Requirement
from soak.wire import LedgerHead, State

log = logging.getLogger(__name__)

MOST_PARKED = 1_000
_PARKED_START_BYTES = 2_048


class StreamRow(NamedTuple):
    """A stream as stored; `resume` is the number to read again from, so that a closure in progress is whole."""

    id: int
    stream: str
    basin_id: int
    node: str
    basin: str
    boot: str
    over: bool
    resume: int


class JudgedBy(NamedTuple):
    """What judged a closure.

    Attributes:
        stream: Its stream.
        first: Number of its first reading.
        last: Number of its last.
        record: The verdict's record.
        closing_utc_ms: The date of its first reading, milliseconds since 1970, as it was when that was looked up.
        requirement: What judged it.
    """

    stream: str
    first: int
    last: int
    record: int
    closing_utc_ms: int
    requirement: Requirement | None


class Sealed(NamedTuple):
    """A page as it is kept.

    Attributes:
        run: Numbers of its first and last reading.
        times_utc_ms: Their earliest and latest time, milliseconds since 1970.
        sha256: Digest of the uncompressed bytes.
        body: The compressed bytes.
        minutes: The readings added up by minute.
        course: What they say in short, see `course.py`.
        undated: Some came with a clock that was not synchronised.
    """

    run: Range
    times_utc_ms: Range
    sha256: str
    body: bytes
    minutes: bytes
    course: bytes
    undated: bool


class Store:
    """The collector's data folder, for the one thread that writes readings.

    Args:
        data_dir: Made if it is not there.
        clock: Gives the time for rows.

    Raises:
        DataError: The folder or the database cannot be used, or another collector uses it.
    """

    def __init__(self, data_dir: Path, clock: UtcClock) -> None:
        self._clock = clock
        try:
            data_dir.mkdir(parents=True, exist_ok=True)
            self._lock = (data_dir / "collector.lock").open("w")
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._lock.close()
            raise DataError(
                f"Another collector is using {data_dir}. Two would write over each other; stop one of them first."
            ) from None
        except OSError as error:
            raise DataError(
                f"{data_dir} cannot be used ({error.strerror}). Name a folder that this user may write, with --data."
            ) from None
        try:
            self._db = connect(data_dir / FILE_NAME)
            migrate(self._db)
        except BaseException:
            self._lock.close()
            raise
        self.db = self._db
        self._ledger = Ledger(self._db.conn, clock)
        self._judged: list[tuple[StreamRow, Closure, list[int]]] = []
        self.commissionings = Commissionings(self._db.conn, self._append, clock)
        self._parked = self._count_parked()  # at most so many: one that comes again is counted again
        if "epoch" not in self.site():
            with self.transaction():
                self._set_site("epoch", secrets.token_hex(8))

    def close(self) -> None:
        """Close the database and let another collector in."""
        self._db.close()
        self._lock.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside is committed together or not at all."""
        self._db.conn.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.conn.commit()
        except BaseException:
            self._db.conn.rollback()
            self._judged.clear()
            raise
        self._tell_judged()

    def _append(self, body: machine.Machine) -> None:
        """Add one of the collector's own records, and let the tables follow."""
        projections.follow(self._db.conn, self._ledger.append(body.KIND, body))

    def _tell_judged(self) -> None:
        """A line for each verdict that is on record now."""
        for row, closure, instead in self._judged:
            log.info(
                "closure node=%s basin=%s verdict=%r credited_ms=%s closed_ms=%s coldest_mc=%s stream=%s first=%s "
                "instead_of=%s",
                *(row.node, row.basin, closure.verdict.value, closure.credited_ms, closure.closed_ms),
                *(closure.coldest_mc, row.stream[:8], closure.first, instead),
            )
        self._judged.clear()

    def ledger_head(self) -> LedgerHead:
        """The ledger's end."""
        return LedgerHead(*head(self._db.conn))

    # Site and basins

    def site(self) -> dict[str, str]:
        """What is known of the site."""
        return dict(self._all("SELECT name, content FROM site"))

    def _set_site(self, name: str, content: str) -> None:
        projections.set_site(self._db.conn, name, content)

    def apply(self, settings: Settings) -> None:
        """Take over names and requirements; a changed requirement holds from now on, or from its own `since`."""
        with self.transaction():
            if self.site().get("name") != settings.site:
                self._append(machine.SiteNamed(settings.site))
            for basin in settings.basin:
                row = self._one("SELECT label, place FROM basin WHERE node = ? AND name = ?", basin.node, basin.name)
                if row != (basin.label, basin.place):
                    self._append(machine.BasinKnown(f"{basin.node}/{basin.name}", basin.label, basin.place))
                self._require(self.basin_id(basin.node, basin.name), basin)

    def _require(self, basin_id: int, basin: BasinSettings) -> None:
        required, terms = basin.required(), basin.terms()
        known = self.set_in_settings(basin_id)
        if known and (known[-1].requirement, known[-1].terms) == (required, terms):
            return
        # Other figures of a sensor hold from now on: verdicts of before were given with those that were known then.
        since = (
            basin.requirement.since if basin.requirement and (not known or known[-1].requirement != required) else None
        )
        since_ms = self._clock() if since is None else int(since.timestamp() * 1000)
        if known:
            since_ms = max(since_ms, known[-1].since_ms + 1)  # what held before stays what held
        self._append(machine.Required(f"{basin.node}/{basin.name}", since_ms, required, terms))

    def basin_id(self, node: str, name: str) -> int:
        """The basin's row; one that nobody described gets its node and name as label, and no requirement."""
        row = self._one("SELECT id FROM basin WHERE node = ? AND name = ?", node, name)
        if row:
            return int(row[0])
        self._append(machine.BasinKnown(f"{node}/{name}", f"{node} {name}"))
        return self.basin_id(node, name)

    def has_basin(self, node: str, name: str) -> bool:
        """Whether the basin is known: described in the settings, or heard of."""
        return self._one("SELECT 1 FROM basin WHERE node = ? AND name = ?", node, name) is not None

    def basins_of(self, node: str) -> list[tuple[int, str]]:
        """Row and name of every basin of a node."""
        return list(self._all("SELECT id, name FROM basin WHERE node = ? ORDER BY id", node))

    def node_of(self, basin_id: int) -> str:
        """The node of a basin."""
        return str(self._one("SELECT node FROM basin WHERE id = ?", basin_id)[0])

    def basin_ids(self) -> list[int]:
        """Rows of all basins."""
        return [row_id for (row_id,) in self._all("SELECT id FROM basin ORDER BY id")]

    def count_basins(self) -> int:
        """How many basins there are."""
        return int(self._all("SELECT count(*) FROM basin")[0][0])

    def nodes(self) -> list[str]:
        """Names of all nodes with a basin."""
        return [node for (node,) in self._all("SELECT DISTINCT node FROM basin ORDER BY node")]

    def count_nodes(self) -> int:
        """How many nodes have ever spoken."""
        return int(self._one("SELECT count(*) FROM node")[0])

    def required(self, basin_id: int) -> list[Required]:
        """What has been required of a basin, oldest first: by the settings, and by what was poured into it."""
        return required_of(self._db.conn, basin_id)

    def set_in_settings(self, basin_id: int) -> list[Required]:
        """What the settings have required of a basin, oldest first."""
        return settings_of(self._db.conn, basin_id)

    # Streams and readings

    def stream(self, stream: str) -> StreamRow | None:
        """A stream by its id."""
        rows = self._streams("s.stream = ?", stream)
        return rows[0] if rows else None

    def live_streams(self) -> list[StreamRow]:
        """Streams that are not over."""
        return self._streams("s.over = 0")

    def _streams(self, condition: str, *values: Any) -> list[StreamRow]:
        rows = self._all(
            f"""SELECT s.id, s.stream, s.basin_id, b.node, b.name, s.boot, s.over, s.resume
                FROM stream s JOIN basin b ON b.id = s.basin_id WHERE {condition} ORDER BY s.id""",  # noqa: S608
            *values,
        )
        return [StreamRow._make(row)._replace(over=bool(row[6])) for row in rows]

    def add_stream(self, stream: str, node: str, basin: str, boot: str) -> StreamRow:
        """Begin a stream."""
        basin_id = self.basin_id(node, basin)
        self._append(machine.StreamBegun(stream, f"{node}/{basin}", boot))
        row_id = projections.stream_id(self._db.conn, stream)
        return StreamRow(row_id, stream, basin_id, node, basin, boot, over=False, resume=0)

    def stored(self, stream_id: int) -> Ranges:
        """Which readings of a stream are stored."""
        return Ranges(
            self._all(
                """SELECT first, last FROM page WHERE stream_id = ?
                   UNION ALL SELECT first, last FROM batch WHERE stream_id = ?""",
                stream_id,
                stream_id,
            )
        )

    def lost(self, stream_id: int) -> Ranges:
        """Which readings of a stream are known to be lost."""
        return Ranges(self._all("SELECT first, last FROM lost WHERE stream_id = ? AND found_ms IS NULL", stream_id))

    def sealed_to(self, stream_id: int) -> int:
        """Number of the last sealed reading; 0 if none is."""
        return int(self._all("SELECT ifnull(max(last), 0) FROM page WHERE stream_id = ?", stream_id)[0][0])

    def add_batch(self, stream_id: int, first: int, readings: list[Reading], anchors: Anchors) -> None:
        """Keep readings until a page holds them."""
        self._run(
            "INSERT INTO batch (stream_id, first, last, body) VALUES (?, ?, ?, ?)",
            stream_id,
            first,
            first + len(readings) - 1,
            pack(readings, anchors),
        )
        self._run("UPDATE stream SET stored = stored + ? WHERE id = ?", len(readings), stream_id)

    def seal(self, row: StreamRow, page: Sealed) -> None:
        """Put a page in the place of the rows that it holds."""
        first, last = page.run
        self._append(
            machine.PageSealed(
                row.stream,
                first,
                last,
                page.sha256,
                zlib.crc32(page.body),
            )
        )
        self._run(
            "INSERT INTO page (stream_id, first, last, sha256, body) VALUES (?, ?, ?, ?, ?)",
            row.id,
            first,
            last,
            page.sha256,
            page.body,
        )
        self.index_page(row.id, page)
        # A row may begin in the page before: it goes with the page that holds its last reading.
        self._run("DELETE FROM batch WHERE stream_id = ? AND last BETWEEN ? AND ?", row.id, first, last)

    def index_page(self, stream_id: int, page: Sealed) -> None:
        """What is looked up of a page: its times and what its readings say in short."""
        self._run(
            """INSERT INTO page_index (stream_id, first, first_utc_ms, last_utc_ms, undated, minutes)
               VALUES (?, ?, ?, ?, ?, ?)""",
            stream_id,
            page.run[0],
            *page.times_utc_ms,
            int(page.undated),
            page.minutes,
        )
        self._run(
            "INSERT INTO page_course (stream_id, first, body) VALUES (?, ?, ?)", stream_id, page.run[0], page.course
        )

    def undated_pages(self, stream_id: int) -> list[tuple[int, str, bytes]]:
        """First number, digest and bytes of the pages of a stream with a clock that was not synchronised."""
        sql = """SELECT p.first, p.sha256, p.body FROM page p JOIN page_index i USING (stream_id, first)
                 WHERE p.stream_id = ? AND i.undated ORDER BY p.first"""
        return list(self._all(sql, stream_id))

    def redate_page(self, stream_id: int, first: int, times_utc_ms: Range, minutes: bytes, course: bytes) -> None:
        """A better clock has become known for a page's readings."""
        self._run(
            """UPDATE page_index SET first_utc_ms = ?, last_utc_ms = ?, minutes = ?
               WHERE stream_id = ? AND first = ?""",
            *times_utc_ms,
            minutes,
            stream_id,
            first,
        )
        self._run("UPDATE page_course SET body = ? WHERE stream_id = ? AND first = ?", course, stream_id, first)

    def synchronised(self, node: str, boot: str) -> Synchronised | None:
        """The earliest moment of a boot at which the wall clock was known to be synchronised."""
        row = self._one("SELECT synced_ms, synced_utc_ms FROM boot WHERE node = ? AND boot = ?", node, boot)
        return Synchronised(*row) if row and row[0] is not None else None

    def clocks_noted(self) -> list[machine.ClockNoted]:
        """What clocks were found to do, oldest first."""
        rows = self._all("SELECT body FROM ledger WHERE kind = ? ORDER BY number", machine.ClockNoted.KIND)
        return [from_json(body, machine.ClockNoted) for (body,) in rows]

    def note_clocks(self, noted: Iterable[machine.ClockNoted]) -> None:
        """Put it on record."""
        with self.transaction():
            for each in noted:
                self._append(each)

    def set_synchronised(self, node: str, boot: str, moment: Synchronised) -> None:
        """Keep that moment."""
        self._append(machine.BootSynchronised(node, boot, *moment))

    def boot_heard_ms(self, node: str, boot: str) -> int | None:
        """The node's uninterrupted clock when this boot of it last spoke for itself; None if it never did."""
        row = self._one("SELECT heard_ms FROM boot WHERE node = ? AND boot = ?", node, boot)
        return row[0] if row else None

    def set_boot_heard(self, node: str, boot: str, ms: int) -> None:
        """This boot of a node spoke."""
        self._run(
            """INSERT INTO boot (node, boot, heard_ms) VALUES (?, ?, ?)
               ON CONFLICT DO UPDATE SET heard_ms = excluded.heard_ms""",
            node,
            boot,
            ms,
        )

    def streams_of_boot(self, node: str, boot: str) -> list[StreamRow]:
        """Every stream of a boot, over or not."""
        return self._streams("b.node = ? AND s.boot = ?", node, boot)

    def undated_closures(self, stream_id: int) -> list[Closure]:
        """Closures of a stream that stand and whose dates cannot be trusted, oldest first."""
        rows = self._all(
            """SELECT body FROM judged WHERE stream_id = ? AND superseded_by IS NULL AND clock_synced = 0
               ORDER BY first""",
            stream_id,
        )
        return [from_json(body, Closure) for (body,) in rows]

    def set_resume(self, stream_id: int, resume: int) -> None:
        """Where to read again from after a restart."""
        self._run("UPDATE stream SET resume = ? WHERE id = ?", resume, stream_id)

    def set_over(self, stream_id: int, *, over: bool) -> None:
        """A newer stream has taken its place and nothing of it is held any more; or something came after all."""
        self._run("UPDATE stream SET over = ? WHERE id = ?", int(over), stream_id)

    def add_lost(self, stream: str, ranges: Iterable[Range]) -> None:
        """The node no longer holds these, and they never came."""
        for first, last in ranges:
            self._append(machine.Lost(stream, first, last, self._clock()))

    def set_found(self, stream: str, first: int, last: int) -> None:
        """Readings that were thought lost have come: what is still missing stays recorded as lost."""
        self._append(machine.Found(stream, first, last, self._clock()))

    # Closures

    def judged_by(self, basin_id: int) -> list[JudgedBy]:
        """What judged every closure that stands, by their closing."""
        rows = self._all(
            """SELECT s.stream, c.first, c.last, c.number,
                      ifnull(json_extract(l.body, '$.closing_read_utc_ms'), c.closing_utc_ms),
                      json_extract(l.body, '$.closure.requirement')
               FROM closure c JOIN stream s ON s.id = c.stream_id JOIN ledger l ON l.number = c.number
               WHERE c.basin_id = ? AND c.superseded_by IS NULL ORDER BY c.closing_utc_ms""",
            basin_id,
        )
        return [JudgedBy._make((*row, from_json(body, Requirement) if body else None)) for *row, body in rows]

    def terms_told(self, basin_id: int) -> list[TermsTold]:
        """Since when other figures of a basin's sensors hold, and which record says so; by that time."""
        return terms_told(self._db.conn, basin_id)

    def standing_closures(self, stream_id: int, first: int, last: int) -> list[tuple[int, Closure]]:
        """Closures of a stream that touch a range of numbers and that nothing has superseded."""
        rows = self._all(
            """SELECT id, body FROM judged
               WHERE stream_id = ? AND last >= ? AND first <= ? AND superseded_by IS NULL ORDER BY first""",
            stream_id,
            first,
            last,
        )
        return [(row_id, from_json(body, Closure)) for row_id, body in rows]

    def add_closure(self, row: StreamRow, ended: Ended, supersedes: Iterable[int] = ()) -> None:
        """Keep a verdict.

        Args:
            row: Its stream.
            ended: What the rule says, and how to date it.
            supersedes: Rows of closures whose verdicts no longer stand; they stay readable.
        """
        closure, piece = ended.closure, ended.piece
        closing_read_ms = closure.closing_ms + ended.closing_offset_ms
        instead_of = [int(self._one("SELECT number FROM closure WHERE id = ?", each)[0]) for each in supersedes]
        self._append(
            machine.ClosureJudged(
                row.stream,
                closure.closing_ms + piece.offset_ms,
                piece.dated,
                closure,
                None if piece.synced_ms is None else piece.synced_ms - closure.closing_ms,
                supersedes=instead_of,
                closing_read_utc_ms=(
                    closing_read_ms if abs(ended.closing_offset_ms - piece.offset_ms) > SAME_CLOCK_MS else None
                ),
            )
        )
        self._judged.append((row, closure, instead_of))

    # Projections

    def now(self, basin_id: int) -> BasinNow | None:
        """The newest reading of a basin as it was last kept."""
        row = self._one("SELECT body FROM now WHERE basin_id = ?", basin_id)
        return from_json(row[0], BasinNow) if row else None

    def set_now(self, basin_id: int, now: BasinNow) -> None:
        """Keep the newest reading of a basin."""
        self._run(
            """INSERT INTO now VALUES (?, ?, ?)
               ON CONFLICT DO UPDATE SET at_utc_ms = excluded.at_utc_ms, body = excluded.body""",
            basin_id,
            now.at_utc_ms,
            _text(now),
        )

    def state(self, node: str) -> State | None:
        """What a node last said of itself."""
        row = self._one("SELECT body FROM node WHERE node = ?", node)
        return from_json(row[0], State) if row else None

    def heard_ms(self, node: str) -> int | None:
        """When a node was last heard of, milliseconds since 1970; None if never."""
        row = self._one("SELECT heard_ms FROM node WHERE node = ?", node)
        return int(row[0]) if row else None

    def set_node(self, node: str, state: State, heard_ms: int) -> None:
        """A node spoke, or its last will did: then what it said before stays known."""
        known = None if state.clock else self.state(node)
        body = msgspec.structs.replace(known, up=state.up) if known else state
        self._run(
            """INSERT INTO node VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET
               heard_ms = excluded.heard_ms, up = excluded.up, body = excluded.body""",
            node,
            heard_ms,
            int(state.up),
            _text(body),
        )

    def park(self, topic: str, payload: bytes, reason: str, detail: str) -> None:
        """Set a message aside with the reason; the table is bounded, the counts are not."""
        now_ms = self._clock()
        self._run(
            """INSERT INTO parked (sha256, topic, reason, detail, bytes, start, times, first_ms, last_ms)
               VALUES (?, ?, ?, ?, ?, ?, 1, ?, ?)
               ON CONFLICT DO UPDATE SET times = times + 1, last_ms = excluded.last_ms""",
            hashlib.sha256(payload).hexdigest(),
            topic[:200],
            reason,
            detail[:500],
            len(payload),
            payload[:_PARKED_START_BYTES],
            now_ms,
            now_ms,
        )
        self._run("INSERT INTO parked_count VALUES (?, 1) ON CONFLICT DO UPDATE SET times = times + 1", reason)
        self._parked += 1
        if self._parked >= MOST_PARKED:  # not at every message: whoever sends a flood of them must not slow the others
            self._run(
                """DELETE FROM parked
                   WHERE id IN (SELECT id FROM parked ORDER BY last_ms DESC, id DESC LIMIT -1 OFFSET ?)""",
                MOST_PARKED * 9 // 10,
            )
            self._parked = self._count_parked()

    def new_epoch(self) -> str:
        """Begin a new epoch: these data are older than what was promised from them."""
        epoch = secrets.token_hex(8)
        self._set_site("epoch", epoch)
        return epoch

    def _count_parked(self) -> int:
        return int(self._one("SELECT count(*) FROM parked")[0])

    # Plumbing

    def _all(self, sql: str, *values: Any) -> list[Any]:
        return self._db.conn.execute(sql, values).fetchall()

    def _one(self, sql: str, *values: Any) -> Any:
        return self._db.conn.execute(sql, values).fetchone()

    def _run(self, sql: str, *values: Any) -> None:
        self._db.conn.execute(sql, values)


def _text(content: Any) -> str:
    return msgspec.json.encode(content).decode()
