"""A simulated year of five basins as the collector's store would hold it: made once, shared by the pages' benches.

`python -m tests.bench.year FOLDER [--days N] [--basins N]` makes it, or says that it is there. The readings
(`tests/bench/realistic.py`, with the lid left on at weekends and some sensors unplugged) go through the real intake
into a real store: the product's own meter gives every verdict, its own code seals every page. That is done for two
weeks of each basin; a year is these two weeks again and again, each time as a new boot of the node with the times moved
on: pages are stamped and digested anew, records are appended by the product's own ledger, so `soakledger verify` holds.
The last weeks are taken in once more, so that the year ends in the middle of a stream, as it would.

The store has basins, requirements, streams, pages, closures and nodes; people, loads and alarms it has none.
"""

from __future__ import annotations

import argparse
import hashlib
import heapq
import sqlite3
import sys
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from itertools import repeat
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import msgspec
from msgspec.structs import replace

from collector import machine, minutes, projections
from collector.intake import Arrived, Intake
from collector.ledger import Ledger
from collector.page import PageBody
from collector.read import BasinNow
from collector.readings import Rows
from collector.schema import FILE_NAME, connect, migrate
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from collector.store import Sealed, Store
from soak.quantity import utc_ms, utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Clock, HeldStream, SensorSeen, State, Topic, encode
from tests.bench.bench_size import SINCE, START_UTC_MS
from tests.bench.realistic import DAY_S, Chunk, boot_id, days, digest

YEAR_DAYS, YEAR_BASINS = 365, 5
SET_DAYS = 14
"""So many days of each basin are judged; whole weeks, so that a weekday stays one."""

DAY_MS = 1_000 * DAY_S
_BASINS_OF_A_NODE = 3
_MESSAGE = 300
"""Readings of one message: a verdict is on record at most five minutes after it could be."""

_KEPT_OF_FIVE = (0, 2, 3)
"""Of five soaks of `realistic.days` these take place: some 25,000 closures a year with five basins."""

_UNPLUGGED_EVERY, _UNPLUGGED_FROM, _UNPLUGGED_TO = 40, 400, 490
"""In one soak of so many the sensor gives nothing between these readings after the closing."""

_MADE = "year.json"


class Event(NamedTuple):
    """A record to be appended, and what else is kept with it."""

    at_ms: int
    basin: int
    number: int
    body: machine.Machine
    page: Sealed | None = None


def node_of(basin: int) -> tuple[str, str]:
    """Node and name of a basin, which are counted from 1 on."""
    node, name = divmod(basin - 1, _BASINS_OF_A_NODE)
    return f"n{node + 1}", f"b{name + 1}"


def sensor_of(basin: int) -> str:
    """Its sensor."""
    return f"28-{basin:012x}"


def end_ms(day_count: int = YEAR_DAYS) -> int:
    """When the last reading was taken, to the second: a page that is to look alive is told that it is now."""
    return START_UTC_MS + DAY_MS * day_count


def settings(basins: int) -> Settings:
    """Five basins of two nodes whose soaks are judged."""
    required = RequirementSettings(min_temp_c="20", contact="12m", since=SINCE)
    described = [
        BasinSettings(
            *node_of(basin),
            f"Basin {basin}",
            {sensor_of(basin): SensorSettings(u_c="0.5")},
            place="scope room" if basin <= _BASINS_OF_A_NODE else "ultrasound",
            requirement=required,
        )
        for basin in range(1, basins + 1)
    ]
    return Settings("Clinic at the Mill", BrokerSettings(), described)


def worked(chunks: Iterator[Chunk]) -> Iterator[Chunk]:
    """The same days with fewer soaks, none at weekends, and now and then a sensor that is unplugged in one."""
    soak, next_number = 0, 1
    for day, chunk in enumerate(chunks):
        weekend = (day + 3) % 7 > 4  # 1 January 2026 is a Thursday
        readings: list[Reading] = []
        opened, quiet, closed_for = 0, True, 0
        before = Lid.CLOSED
        for reading in chunk.readings:
            if reading.lid is Lid.OPEN and before is Lid.CLOSED:
                opened += 1
                soak += opened % 2
                quiet = weekend or soak % 5 not in _KEPT_OF_FIVE
            before = reading.lid
            closed_for = 0 if reading.lid is Lid.OPEN else closed_for + 1
            if quiet and reading.why is Why.LID:
                continue
            kept = replace(reading, lid=Lid.CLOSED) if quiet else reading
            in_soak = opened % 2 and not quiet and soak % _UNPLUGGED_EVERY == 0
            if in_soak and _UNPLUGGED_FROM < closed_for < _UNPLUGGED_TO:
                silent = Fault("no-answer")
                kept = replace(kept, mc=dict.fromkeys(kept.mc), fault=dict.fromkeys(kept.mc, silent))
            readings.append(kept)
        yield chunk._replace(first=next_number, readings=readings)
        next_number += len(readings)


def judge(data_dir: Path, basin: int, day_count: int, *, finish: bool) -> None:
    """Take so many days of one basin in, as the collector does.

    Args:
        data_dir: A folder for this basin's own store.
        basin: Which.
        day_count: At most `SET_DAYS`.
        finish: The node starts again at the end, which ends the stream.
    """
    node, name = node_of(basin)
    now_ms = START_UTC_MS
    store = Store(data_dir, lambda: now_ms)
    store.db.conn.execute("PRAGMA synchronous = OFF")
    store.apply(Settings("one basin", BrokerSettings(), settings(basin).basin[-1:]))
    intake = Intake(store, lambda: now_ms)
    of_basin = days(day_count, basin, start_utc_ms=START_UTC_MS, sensor=sensor_of(basin), name=node, boot_days=SET_DAYS)
    for chunk in worked(of_basin):
        for batch in chunk.batches(_MESSAGE, name):
            now_ms = utc_ms(batch.clock.utc)
            intake.take([Arrived(Topic.READINGS.of(node), encode(batch))])
    if finish:
        newer = State(up=True, version="0", boot=boot_id("next"), clock=batch.clock)
        held = HeldStream(digest("next"), name, 1, 0, boot_id("next"))
        intake.take([Arrived(Topic.STATE.of(node), encode(replace(newer, streams=[held])))])
    store.close()


def moved(data_dir: Path, basin: int, part: int) -> list[Event]:
    """Everything that a basin's own store has on record, moved on by so many times two weeks."""
    db = connect(data_dir / FILE_NAME, read_only=True)
    kinds = {each.KIND: each for each in (machine.BootSynchronised, machine.StreamBegun, machine.ClosureJudged)}
    events: list[Event] = []
    with closing(db):
        for number, kind, at_ms, body in db.conn.execute("SELECT number, kind, at_ms, body FROM ledger"):
            if kind == machine.PageSealed.KIND:
                sealed, page = _moved_page(db.conn, msgspec.json.decode(body, type=machine.PageSealed), part)
                events.append(Event(at_ms + _shift_ms(part), basin, number, sealed, page))
            elif kind in kinds:
                said: Any = msgspec.json.decode(body, type=kinds[kind])
                events.append(Event(at_ms + _shift_ms(part), basin, number, _moved_record(said, part)))
    return events


def _shift_ms(part: int) -> int:
    return part * SET_DAYS * DAY_MS


def _moved_text(utc: str, part: int) -> str:
    return utc_text(utc_ms(utc) + _shift_ms(part))


def _stream(stream: str, part: int) -> str:
    return digest(f"{stream}/{part}")


def _boot(boot: str, part: int) -> str:
    return boot_id(f"{boot}/{part}")


def _moved_record(said: Any, part: int) -> Any:
    match said:
        case machine.BootSynchronised():
            return replace(said, boot=_boot(said.boot, part), utc_ms=said.utc_ms + _shift_ms(part))
        case machine.StreamBegun():
            return replace(said, stream=_stream(said.stream, part), boot=_boot(said.boot, part))
        case _:
            return replace(
                said, stream=_stream(said.stream, part), closing_utc_ms=said.closing_utc_ms + _shift_ms(part)
            )


def _moved_page(
    connection: sqlite3.Connection, sealed: machine.PageSealed, part: int
) -> tuple[machine.PageSealed, Sealed]:
    """The page of another stream at another time: stream and clock are the only places that say so."""
    row = connection.execute(
        """SELECT p.body, i.first_utc_ms, i.last_utc_ms, i.undated, i.minutes, c.body
           FROM page p JOIN page_index i USING (stream_id, first) JOIN page_course c USING (stream_id, first)
           JOIN stream s ON s.id = p.stream_id
           WHERE s.stream = ? AND p.first = ?""",
        (sealed.stream, sealed.first),
    ).fetchone()
    body, first_utc_ms, last_utc_ms, undated, packed, course = row
    page = msgspec.json.decode(zlib.decompress(body), type=PageBody)
    clock = [(index, ms, _moved_text(utc, part), synced) for index, ms, utc, synced in page.clock]
    content = msgspec.json.encode(replace(page, stream=_stream(page.stream, part), clock=clock), order="sorted")
    times = first_utc_ms + _shift_ms(part), last_utc_ms + _shift_ms(part)
    sums: minutes.Minutes = {}
    minutes.merge(sums, packed)
    later = {
        sensor: {minute + _shift_ms(part) // 60_000: total for minute, total in table.items()}
        for sensor, table in sums.items()
    }
    sha256, kept = hashlib.sha256(content).hexdigest(), zlib.compress(content, 9)
    run = sealed.first, sealed.last
    whole = replace(sealed, stream=_stream(sealed.stream, part), sha256=sha256, kept_crc32=zlib.crc32(kept))
    page_row = Sealed(
        run=run,
        times_utc_ms=times,
        sha256=sha256,
        body=kept,
        minutes=minutes.pack(later),
        undated=bool(undated),
        course=course,  # its times count from the page's begin on, and two weeks are whole half hours
    )
    return whole, page_row


class _Year:
    """The store that is being made."""

    def __init__(self, data_dir: Path, basins: int) -> None:
        self._now_ms = START_UTC_MS - 60_000
        self.store = Store(data_dir, lambda: self._now_ms)
        self._connection = self.store.db.conn
        self._connection.execute("PRAGMA synchronous = OFF")
        self.store.apply(settings(basins))
        self._ledger = Ledger(self._connection, lambda: self._now_ms)
        self._boots: set[str] = set()

    def take(self, parts: list[list[Event]]) -> None:
        """Append what several basins have on record, in the order of time."""
        numbers: dict[tuple[int, int], int] = {}
        with self.store.transaction():
            for event in heapq.merge(*parts):
                self._now_ms = event.at_ms
                body = event.body
                if event.page:
                    assert isinstance(body, machine.PageSealed)
                    row = self.store.stream(body.stream)
                    assert row is not None
                    self.store.seal(row, event.page)
                    continue
                if isinstance(body, machine.BootSynchronised):  # of one boot each of its basins says so
                    if body.boot in self._boots:
                        continue
                    self._boots.add(body.boot)
                if isinstance(body, machine.ClosureJudged):
                    body = replace(body, supersedes=[numbers[event.basin, each] for each in body.supersedes])
                record = self._ledger.append(body.KIND, body)
                numbers[event.basin, event.number] = record.number
                projections.follow(self._connection, record)

    def end(self, data_dir: Path, basin: int, part: int, *, over: bool) -> HeldStream:
        """What no record says: how far a stream has got, and its readings that no page holds yet."""
        with closing(connect(data_dir / FILE_NAME, read_only=True)) as db, self.store.transaction():
            name, boot, stored, resume = db.conn.execute("SELECT stream, boot, stored, resume FROM stream").fetchone()
            stream = self.store.stream(_stream(name, part))
            assert stream is not None
            self._connection.execute("UPDATE stream SET stored = ? WHERE id = ?", (stored, stream.id))
            self.store.set_resume(stream.id, resume)
            self.store.set_over(stream.id, over=over)
            for first, last, body in db.conn.execute("SELECT first, last, body FROM batch ORDER BY id"):
                rows = msgspec.msgpack.decode(body, type=Rows)
                clocks = [(index, ms, at_ms + _shift_ms(part), synced) for index, ms, at_ms, synced in rows.anchors]
                self._connection.execute(
                    "INSERT INTO batch (stream_id, first, last, body) VALUES (?, ?, ?, ?)",
                    (stream.id, first, last, msgspec.msgpack.encode(replace(rows, anchors=clocks))),
                )
            (body,) = db.conn.execute("SELECT body FROM now").fetchone()
            now = msgspec.json.decode(body, type=BasinNow)
            now = replace(now, at_utc_ms=now.at_utc_ms + _shift_ms(part), stream=stream.stream)
            if not over:
                self.store.set_now(basin, now)
        return HeldStream(stream.stream, stream.basin, stored + 1, stored, _boot(boot, part))

    def say(self, held: dict[int, HeldStream], at_ms: int) -> None:
        """What the nodes said of themselves at the end."""
        self._now_ms = at_ms
        for node in sorted({node_of(basin)[0] for basin in held}):
            own = {basin: each for basin, each in held.items() if node_of(basin)[0] == node}
            [*_, (_, last)] = own.items()
            booted_ms = 20_000 + (at_ms - START_UTC_MS) % _shift_ms(1)
            clock = Clock(booted_ms, utc_text(at_ms), synced=True)
            seen = [SensorSeen(sensor_of(basin), each.basin) for basin, each in own.items()]
            state = State(True, "0.1.0", last.boot, clock, list(own.values()), seen)
            with self.store.transaction():
                self.store.set_node(node, state, at_ms)


def make(folder: Path, day_count: int = YEAR_DAYS, basins: int = YEAR_BASINS) -> Path:
    """Make the year, unless it is there.

    Args:
        folder: Its data folder: empty, not there, or one that this function made with the same figures.
        day_count: How many days, from 1 January 2026 (UTC) on.
        basins: How many basins.

    Returns:
        The data folder, brought up to this version. Copy it before writing to it: others share it.

    Raises:
        SystemExit: Something else is in the folder.
    """
    figures = {"days": day_count, "basins": basins}
    made = folder / _MADE
    if made.exists() and msgspec.json.decode(made.read_bytes()) == figures:
        with closing(connect(folder / FILE_NAME)) as db:
            migrate(db)
        return folder
    if folder.exists() and any(folder.iterdir()):
        raise SystemExit(f"{folder} holds something else than {day_count} days of {basins} basins. Name another.")
    parts, rest = divmod(day_count - 1, SET_DAYS)
    rest += 1
    numbered = range(1, basins + 1)
    with TemporaryDirectory(dir=folder.parent) as scratch, ProcessPoolExecutor(2) as pool:
        whole = [Path(scratch) / f"whole{basin}" for basin in numbered]
        last = [Path(scratch) / f"last{basin}" for basin in numbered]
        _wait("judged", pool.map(_judge, last, numbered, repeat(rest), repeat(False)), basins)
        if parts:
            _wait("judged, two weeks", pool.map(_judge, whole, numbered, repeat(SET_DAYS), repeat(True)), basins)
        year = _Year(folder, basins)
        for part in range(parts + 1):
            stores = whole if part < parts else last
            year.take(list(pool.map(moved, stores, numbered, repeat(part))))
            held = {
                basin: year.end(store, basin, part, over=part < parts)
                for basin, store in zip(numbered, stores, strict=True)
            }
            _say("written", part + 1, parts + 1)
        year.say(held, end_ms(day_count))
        year.store.close()
    made.write_bytes(msgspec.json.encode(figures))
    return folder


def _judge(data_dir: Path, basin: int, day_count: int, finish: bool) -> None:
    judge(data_dir, basin, day_count, finish=finish)


def _wait(what: str, done: Iterator[None], of: int) -> None:
    for count, _ in enumerate(done, 1):
        _say(what, count, of)


def _say(what: str, count: int, of: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{what}: {count} of {of}   ", end="", file=sys.stderr, flush=True)


def main(folder: Path, day_count: int, basins: int) -> int:
    """Make it, and say what is in it."""
    make(folder, day_count, basins)
    with closing(connect(folder / FILE_NAME, read_only=True)) as db:
        verdicts = db.conn.execute(
            "SELECT verdict, count(*) FROM closure WHERE superseded_by IS NULL GROUP BY verdict ORDER BY verdict"
        ).fetchall()
        [(pages, readings)] = db.conn.execute("SELECT count(*), sum(last - first + 1) FROM page").fetchall()
    size = (folder / FILE_NAME).stat().st_size
    print(f"{day_count} days of {basins} basins: {readings:,} readings on {pages:,} pages, {size / 1e6:,.0f} MB")
    print(", ".join(f"{count:,} {verdict}" for verdict, count in verdicts))
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    parser.add_argument("--basins", type=int, default=YEAR_BASINS)
    chosen = parser.parse_args()
    sys.exit(main(chosen.folder, chosen.days, chosen.basins))
