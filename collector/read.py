"""What pages and commands ask of the store: looks, never writes. One `Reader` per thread."""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from collector import minutes
from collector.course import HALF_HOUR_MS, Course, course_of, put_together, unpack
from collector.errors import DataError
from collector.readings import stored_pieces, stored_readings
from collector.record.things import Alarm, SensorCheck, Thermometer
from collector.required import Required, required_of
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older
from soak.closure import Closure, Verdict
from soak.decoding import from_json
from soak.reading import Fault, Lid, Reading
from soak.requirement import Requirement, SensorTerms
from soak.wire import State


class Basin(msgspec.Struct, frozen=True):
    """A basin and what is required of it at present."""

    id: int
    node: str
    name: str
    label: str
    place: str
    requirement: Requirement | None
    sensors: dict[str, SensorTerms]


class BasinNow(msgspec.Struct, frozen=True):
    """The newest reading of a basin.

    Attributes:
        at_utc_ms: When it was taken, milliseconds since 1970.
        synced: The node's wall clock was synchronised.
        stream: Its stream.
        number: Its number.
        ms: Its time on the node's clock.
        lid: Lid state.
        mc: Indicated temperature per sensor, None without a value.
        fault: What is wrong with each sensor without a value.
        closure: The closure in progress, as far as it is judged; None with the lid open.
        judged_to: Number up to which its stream is judged: less than `number` while readings before it are still to
            come. None in data of before this was kept.
    """

    at_utc_ms: int
    synced: bool
    stream: str
    number: int
    ms: int
    lid: Lid
    mc: dict[str, int | None]
    fault: dict[str, Fault]
    closure: Closure | None
    judged_to: int | None = None


class StoredClosure(msgspec.Struct, frozen=True):
    """An ended closure as stored.

    Attributes:
        id: Its row; a superseding assessment has a row of its own.
        basin_id: Its basin.
        closing_utc_ms: When it began, milliseconds since 1970.
        last_utc_ms: Its last reading.
        clock_synced: The two times above can be trusted: the node's wall clock was synchronised, or became so later in
            the same boot.
        dated_back_ms: How long after its closing the clock was synchronised that dates it; None: the clock that came
            with it does.
        assessed_ms: When it was assessed.
        superseded_by: The later assessment that took its place; None if it stands.
        closure: Everything the rule says of it.
    """

    id: int
    basin_id: int
    closing_utc_ms: int
    last_utc_ms: int
    clock_synced: bool
    assessed_ms: int
    superseded_by: int | None
    closure: Closure
    dated_back_ms: int | None = None


class NodeNow(msgspec.Struct, frozen=True):
    """A node as last heard of."""

    node: str
    heard_ms: int
    up: bool
    state: State


class Minute(msgspec.Struct, frozen=True):
    """One minute of one sensor, temperatures as indicated, in millidegrees.

    Attributes:
        minute: Minutes since 1970.
        lowest_mc: Lowest; None if there was no value in it.
        highest_mc: Highest.
        mean_mc: Mean, rounded down.
        known: Readings with a value.
        missing: Readings without one.
        lid_open: Readings with the lid open.
    """

    minute: int
    lowest_mc: int | None
    highest_mc: int | None
    mean_mc: int | None
    known: int
    missing: int
    lid_open: int


class Block(NamedTuple):
    """A closure in short; times in milliseconds since 1970."""

    id: int
    closing_utc_ms: int
    last_utc_ms: int
    verdict: str


class Backlog(msgspec.Struct, frozen=True):
    """How much of what the nodes hold has arrived.

    Attributes:
        arrived: Readings stored, of streams that a node still lists.
        expected: Readings those streams have, but for those that are lost.
    """

    arrived: int
    expected: int


class Parked(msgspec.Struct, frozen=True):
    """A message that could not be taken in."""

    topic: str
    reason: str
    detail: str
    bytes: int
    times: int
    first_ms: int
    last_ms: int


class Reader:
    """Read-only access to the data folder.

    Args:
        data_dir: The collector's data folder.

    Raises:
        DataError: There is no database in it, it cannot be read, or another version wrote it.
    """

    def __init__(self, data_dir: Path) -> None:
        path = data_dir / FILE_NAME
        if not path.is_file():
            raise DataError(
                f"There are no data in {data_dir} (no {FILE_NAME}). "
                "Name the collector's data folder with --data, or start the collector first."
            )
        self._db = connect(path, read_only=True)
        refuse_newer(self._db)
        refuse_older(self._db)

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    @property
    def connection(self) -> sqlite3.Connection:
        """For those who ask the record."""
        return self._db.conn

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def data_version(self) -> int:
        """A number that changes whenever another connection has committed; costs microseconds."""
        return int(self._rows("PRAGMA data_version")[0][0])

    def site(self) -> dict[str, str]:
        """What is known of the site: "name", "epoch", …"""
        return dict(self._rows("SELECT name, content FROM site"))

    def basins(self) -> list[Basin]:
        """Every basin, in the order of the settings."""
        found = []
        for basin_id, node, name, label, place in self._rows(
            "SELECT id, node, name, label, place FROM basin ORDER BY id"
        ):
            required = required_of(self._db.conn, basin_id)
            requirement, terms = (required[-1].requirement, required[-1].terms) if required else (None, {})
            found.append(Basin(basin_id, node, name, label, place, requirement, terms))
        return found

    def now(self) -> dict[int, BasinNow]:
        """The newest reading of each basin, by basin id; basins never heard of are absent."""
        rows = self._rows("SELECT basin_id, body FROM now")
        return {basin_id: from_json(body, BasinNow) for basin_id, body in rows}

    def nodes(self) -> list[NodeNow]:
        """Every node ever heard of."""
        rows = self._rows("SELECT node, heard_ms, up, body FROM node ORDER BY node")
        return [NodeNow(node, heard, bool(up), from_json(body, State)) for node, heard, up, body in rows]

    def required(self, basin_id: int) -> list[Required]:
        """What has been required of a basin, oldest first."""
        return required_of(self._db.conn, basin_id)

    def closures(
        self,
        *,
        basin_id: int | None = None,
        since_ms: int | None = None,
        until_ms: int | None = None,
        verdict: Verdict | None = None,
        superseded: bool = False,
        limit: int = 200,
        offset: int = 0,
    ) -> list[StoredClosure]:
        """Ended closures, newest first.

        Args:
            basin_id: Of this basin only.
            since_ms: That end at or after this time, milliseconds since 1970.
            until_ms: That begin before this time.
            verdict: With this verdict only.
            superseded: Also those that a later assessment has superseded.
            limit: At most so many.
            offset: Leave out so many first.
        """
        clauses, values = _closure_filter(basin_id, since_ms, until_ms, verdict, superseded=superseded)
        rows = self._rows(
            f"""SELECT id, basin_id, closing_utc_ms, last_utc_ms, clock_synced, assessed_ms, superseded_by, body,
                      dated_back_ms
                FROM judged WHERE {clauses} ORDER BY closing_utc_ms DESC, id DESC LIMIT ? OFFSET ?""",  # noqa: S608
            (*values, limit, offset),
        )
        return [_stored(row) for row in rows]

    def closure(self, closure_id: int) -> StoredClosure | None:
        """One closure by its row."""
        rows = self._rows(
            """SELECT id, basin_id, closing_utc_ms, last_utc_ms, clock_synced, assessed_ms, superseded_by, body,
                      dated_back_ms
               FROM judged WHERE id = ?""",
            (closure_id,),
        )
        return _stored(rows[0]) if rows else None

    def count_closures(
        self, *, basin_id: int | None = None, since_ms: int | None = None, until_ms: int | None = None
    ) -> dict[str, int]:
        """How many closures stand, by verdict."""
        clauses, values = _closure_filter(basin_id, since_ms, until_ms, None, superseded=False)
        return dict(self._rows(f"SELECT verdict, count(*) FROM closure WHERE {clauses} GROUP BY verdict", values))  # noqa: S608

    def minutes(self, basin_id: int, since_ms: int, until_ms: int) -> dict[str, list[Minute]]:
        """Minutes of one basin, by sensor, oldest first; minutes without a reading are absent."""
        first, last = since_ms // 60_000, (until_ms - 1) // 60_000
        sums: minutes.Minutes = {}
        for (stream_id,) in self._rows("SELECT id FROM stream WHERE basin_id = ? ORDER BY id", (basin_id,)):
            for (packed,) in self._rows(
                "SELECT minutes FROM page_index WHERE stream_id = ? AND last_utc_ms >= ? AND first_utc_ms < ?",
                (stream_id, first * 60_000, (last + 1) * 60_000),
            ):
                minutes.merge(sums, packed)
            ((sealed_to,),) = self._rows("SELECT ifnull(max(last), 0) FROM page WHERE stream_id = ?", (stream_id,))
            minutes.add(sums, stored_pieces(self._db, stream_id, from_number=sealed_to + 1, sealed=False))
        return {
            sensor: rows
            for sensor, table in sorted(sums.items())
            if (rows := [_minute(minute, table[minute]) for minute in sorted(table) if first <= minute <= last])
        }

    def course(self, basin_id: int, since_ms: int, until_ms: int) -> Course:
        """What the readings of a basin say in short: half hours that touch the range, gaps, openings of the lid."""
        pages: list[tuple[int, int, bytes]] = []
        rest: list[Course] = []
        for (stream_id,) in self._rows("SELECT id FROM stream WHERE basin_id = ? ORDER BY id", (basin_id,)):
            pages += self._rows(
                """SELECT i.first_utc_ms, i.last_utc_ms, c.body
                   FROM page_index i JOIN page_course c USING (stream_id, first)
                   WHERE stream_id = ? AND i.last_utc_ms >= ? AND i.first_utc_ms < ?""",
                (stream_id, since_ms - since_ms % HALF_HOUR_MS, until_ms + -until_ms % HALF_HOUR_MS),
            )
            ((sealed_to,),) = self._rows("SELECT ifnull(max(last), 0) FROM page WHERE stream_id = ?", (stream_id,))
            rest.append(course_of(stored_pieces(self._db, stream_id, from_number=sealed_to + 1, sealed=False)))
        # One after the other: those of a year are many.
        opened = (unpack(packed, (begin_ms, end_ms)) for begin_ms, end_ms, packed in sorted(pages))
        courses = heapq.merge(opened, sorted(rest, key=_begin), key=_begin)
        return put_together(courses, since_ms, until_ms)

    def blocks(self, basin_id: int, since_ms: int, until_ms: int) -> list[Block]:
        """Closures of a basin that touch a range and stand, in short and oldest first."""
        rows = self._rows(
            """SELECT id, closing_utc_ms, last_utc_ms, verdict FROM closure
               WHERE basin_id = ? AND last_utc_ms >= ? AND closing_utc_ms < ? AND superseded_by IS NULL
               ORDER BY closing_utc_ms""",
            (basin_id, since_ms, until_ms),
        )
        return [Block(*row) for row in rows]

    def alarms(self, basin: str, since_ms: int, until_ms: int) -> list[Alarm]:
        """Alarms of a basin ("node/name") that were raised in a range, oldest first."""
        rows = self._rows(
            """SELECT body FROM thing WHERE kind = 'alarm' AND at_ms >= ? AND at_ms < ?
               AND json_extract(body, '$.basin') = ? ORDER BY at_ms""",
            (since_ms, until_ms, basin),
        )
        return [from_json(body, Alarm) for (body,) in rows]

    def checks(self, group: str, since_ms: int, until_ms: int) -> list[tuple[int, SensorCheck | Thermometer]]:
        """Checks of a sensor, or by thermometer of a basin ("node/name"), in a range, with their records' numbers."""
        rows = self._rows(
            """SELECT kind, number, body FROM thing WHERE kind IN ('sensor-check', 'thermometer') AND grp = ?
               AND at_ms >= ? AND at_ms < ? ORDER BY at_ms""",
            (group, since_ms, until_ms),
        )
        kinds: dict[str, type[SensorCheck | Thermometer]] = {each.KIND: each for each in (SensorCheck, Thermometer)}
        return [(number, from_json(body, kinds[kind])) for kind, number, body in rows]

    def readings(self, basin_id: int, since_ms: int, until_ms: int) -> Iterator[tuple[int, Reading]]:
        """Every reading of a basin in a time range, stream by stream, each in the order of its numbers.

        Yields:
            Milliseconds since 1970 (by the clock that came with it), and the reading.
        """
        for (stream_id,) in self._rows("SELECT id FROM stream WHERE basin_id = ? ORDER BY id", (basin_id,)):
            for stored in stored_readings(self._db, stream_id, since_ms=since_ms, until_ms=until_ms):
                if since_ms <= stored.utc_ms < until_ms:
                    yield stored.utc_ms, stored.reading

    def backlog(self) -> Backlog:
        """How far what the nodes still hold has arrived."""
        listed = [held for node in self.nodes() for held in node.state.streams]
        arrived = expected = 0
        rows = self._rows(
            """SELECT s.stream, s.stored,
               (SELECT ifnull(sum(last - first + 1), 0) FROM lost WHERE stream_id = s.id AND found_ms IS NULL)
               FROM stream s WHERE NOT s.over"""
        )
        known = {stream: (stored, lost) for stream, stored, lost in rows}
        for held in listed:
            stored, lost = known.get(held.stream, (0, 0))
            expected += held.newest - lost
            arrived += min(stored, held.newest - lost)
        return Backlog(arrived, expected)

    def parked(self, limit: int = 200) -> list[Parked]:
        """Messages that could not be taken in, newest first."""
        rows = self._rows(
            "SELECT topic, reason, detail, bytes, times, first_ms, last_ms FROM parked ORDER BY last_ms DESC LIMIT ?",
            (limit,),
        )
        return [Parked(*row) for row in rows]

    def parked_counts(self) -> dict[str, int]:
        """How often a message could not be taken in, by reason, since the beginning."""
        return dict(self._rows("SELECT reason, times FROM parked_count"))

    def _rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        """All rows at once: a reader never holds a transaction open."""
        return self._db.conn.execute(sql, values).fetchall()


def _begin(course: Course) -> int:
    return course.begin_ms


def _minute(minute: int, total: minutes.MinuteSum) -> Minute:
    counts = total.known, total.missing, total.lid_open
    if not total.known:
        return Minute(minute, None, None, None, *counts)
    return Minute(minute, total.lowest_mc, total.highest_mc, total.sum_mc // total.known, *counts)


def _stored(row: Any) -> StoredClosure:
    closure_id, basin_id, closing_utc_ms, last_utc_ms, synced, assessed_ms, superseded_by, body, dated_back_ms = row
    closure = from_json(body, Closure)
    return StoredClosure(
        closure_id,
        basin_id,
        closing_utc_ms,
        last_utc_ms,
        bool(synced),
        assessed_ms,
        superseded_by,
        closure,
        dated_back_ms,
    )


def _closure_filter(
    basin_id: int | None, since_ms: int | None, until_ms: int | None, verdict: Verdict | None, *, superseded: bool
) -> tuple[str, tuple[int | str, ...]]:
    conditions: list[tuple[str, int | str]] = []
    if basin_id is not None:
        conditions.append(("basin_id = ?", basin_id))
    if since_ms is not None:
        conditions.append(("last_utc_ms >= ?", since_ms))
    if until_ms is not None:
        conditions.append(("closing_utc_ms < ?", until_ms))
    if verdict is not None:
        conditions.append(("verdict = ?", verdict.value))
    clauses = [clause for clause, _ in conditions] + ([] if superseded else ["superseded_by IS NULL"])
    return " AND ".join(clauses) or "1", tuple(content for _, content in conditions)
