"""Readings on disk until a receipt covers them.

The node's loop hands readings over and goes on; a thread of its own writes them, for a card may stall for seconds. Only
what the disk has is offered to the uplink, unless the disk takes nothing any more: then the readings are sent from
memory, for a clinic is better served by a node that still reports than by one that stops.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path

from firmware.clock import Anchor, Clock, read_anchor, stamp
from firmware.errors import OutboxError
from firmware.outbox_file import DAMAGE, FILE_NAME, OutboxFile
from firmware.outbox_step import (
    MERGE,
    MERGE_AT,
    Merge,
    RowIds,
    Step,
    merges,
    not_before,
    oldest_slots,
    same_clock,
    small_slots,
)
from firmware.outbox_stream import Row, Rows, Stream, less
from firmware.packing import Card, DamagedBlockError, Origin, Run, key_of, pack, pack_card, unpack
from soak import wire
from soak.quantity import utc_text
from soak.ranges import Range, Ranges
from soak.reading import Reading, SensorId

log = logging.getLogger(__name__)

MOST_RECENT = 20_000
"""Readings kept in memory while the disk does not take them; beyond that the oldest are given up."""

TIDY_EVERY = 30
"""With every so many commits, rows that are not needed any more are deleted and cards that changed are written."""

FREE_SLOTS = 8
"""Free slots kept for each stream."""

FULL_EVERY = 16
"""With every so many commits, and when the wall clock was set, rows describe their streams in full."""

FAILURES = 5
"""Attempts to write after which what the disk does not take is sent from memory."""

MOST_HEALED = 3
"""A card on which the file is damaged more often than this in one life of the node is worn: no more copies are made."""

_RETRY_S = 1.0


class Outbox:
    """A durable `firmware.source.Source`.

    Args:
        folder: The node's data folder.
        clock: The node's clocks, for the anchors of its streams.
        pause_s: Real seconds from one commit to the next at least; half a tick, but no less than a quarter second, if
            not given.
        most_bytes: What the file may take at most, its log included; None for no bound.

    Attributes:
        dropped: Readings given up since this object was made: there was no room, or the file was damaged. Of a damaged
            file only those between others can be counted.
        trouble: Why the disk takes nothing at present; empty while it does.

    Raises:
        OutboxError: The file there cannot be used.
    """

    def __init__(
        self, folder: Path, clock: Clock, *, pause_s: float | None = None, most_bytes: int | None = None
    ) -> None:
        self.dropped = 0
        self.trouble = ""
        self._file, self._clock = OutboxFile(folder / FILE_NAME, most_bytes), clock
        self._using_file = threading.Lock()  # taken before the next one, never after it
        self._changed = threading.Condition()  # guards everything below
        self._pause_s = max(0.25, clock.real_s(500)) if pause_s is None else pause_s
        self._streams: dict[str, Stream] = {}
        self._by_basin: dict[str, Stream] = {}
        self._anchors: dict[str, Anchor] = {}  # by boot, the best
        self._ids = RowIds()
        self._cards: dict[str, Stream] = {}  # streams whose cards are to be written anew
        self._by_key: dict[bytes, Stream] = {}
        self._anchor_told: Anchor | None = None  # of the last rows in full
        self._next_serial = 1
        self._commits = self._failures = self._healed = 0
        self._damage: str | None = None  # found while running, not healed yet
        self._closing = self._hurry = self._urgent = False
        self._failure: OutboxError | None = None
        self._on_commit: Callable[[], None] = lambda: None
        self._writer = threading.Thread(target=self._write_on, name="outbox", daemon=True)
        try:
            self._load()
        except BaseException:
            self._file.close()
            raise

    @property
    def depth(self) -> int:
        """Readings that no receipt has covered yet, on disk or waiting for it."""
        with self._changed:
            streams = list(self._streams.values())
            return sum(each.held.count() + max(0, each.taken - max(each.written, each.offered)) for each in streams)

    @property
    def alive(self) -> bool:
        """Whether the writer's thread is at work, or was never begun, or has ended as it should."""
        with self._changed:
            begun = self._writer.ident is not None
            return self._failure is None and (self._closing or not begun or self._writer.is_alive())

    @property
    def waiting(self) -> int:
        """Readings that are not on disk yet."""
        with self._changed:
            return sum(stream.waiting for stream in self._by_basin.values())

    @property
    def bytes(self) -> int:
        """What the file and its log take on the disk."""
        return self._file.bytes()

    def begin(self, basin: str, sensors: Sequence[SensorId]) -> str:
        """Begin the basin's stream of this start of the node: numbers from 1, an id that never comes again."""
        with self._changed:
            name = secrets.token_hex(16)
            origin = Origin(self._next_serial, name, basin, self._clock.boot_id, tuple(sensors))
            self._next_serial += 1
            self._by_basin[basin] = stream = Stream(origin, current=True)
            self._keep(stream)
            return name

    def start(self, on_commit: Callable[[], None]) -> None:
        """Begin to write. `on_commit` is called from the writer's thread whenever there is something new to send."""
        self._on_commit = on_commit
        self._writer.start()

    def append(self, readings: Sequence[tuple[str, Reading]], *, urgent: bool = False) -> None:
        """Hand over readings, each with its basin, oldest first: once a tick, to be written in one transaction.

        Args:
            readings: The readings.
            urgent: Somebody waits for them: they are written without the pause that saves writing.

        Raises:
            OutboxError: The writer has ended.
        """
        self.check()
        with self._changed:
            for basin, reading in readings:
                stream = self._by_basin[basin]
                stream.taken += 1
                stream.recent.append(reading)
                if self._failures >= FAILURES:
                    stream.offer(stream.taken)
            self._bound_memory()
            self._urgent = self._urgent or urgent
            self._changed.notify_all()

    def check(self) -> None:
        """Raise what has ended the writer, if anything has.

        Raises:
            OutboxError: The writer has ended.
        """
        with self._changed:
            if self._failure:
                raise self._failure

    def flush(self, within_s: float = 5.0) -> None:
        """Wait until the disk has everything handed over so far, or until `within_s` real seconds have passed."""
        with self._changed:
            self._hurry = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._waiting() or self._failure, within_s)
            self._hurry = False

    def close(self, *, write: bool = True) -> None:
        """Write what is left, unless told not to, and let go of the file."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if self._writer.is_alive():
            self._writer.join()
        if write and not self._failure:
            self.write()
        if self.waiting:
            log.error("outbox closed with readings=%s not written problem=%r", self.waiting, self.trouble)
        self._file.close()

    def streams(self) -> list[wire.HeldStream]:
        """Every stream still held or being written, or of which losses are not on record yet, oldest first."""
        with self._changed:
            return [stream.told() for stream in self._streams.values()]

    def held(self, stream: str) -> Ranges:
        """Numbers of one stream that may be sent and that no receipt has covered yet."""
        with self._changed:
            known = self._streams.get(stream)
            return Ranges(known.held if known else ())

    def batch(self, stream: str, first: int, most: int) -> wire.Batch:
        """Consecutive readings from `first` on, at most `most`.

        Raises:
            LookupError: Number `first` is not held, or not any more.
            OutboxError: The disk does not give it.
        """
        with self._using_file:
            with self._changed:
                known = self._streams[stream]
                end = known.held.run_end(first)
                if end is None:
                    raise LookupError(f"Reading {first} of stream {stream} is not held.")
                last = min(end, first + most - 1)
                readings = list(known.readings(first, last)) if first >= known.recent_first else []
            readings = readings or self._from_disk(known, first, last)
        if not readings:
            raise OutboxError(self._file.file, f"reading {first} of stream {stream} cannot be read.")
        origin = known.origin
        return wire.Batch(stream, origin.basin, origin.boot, first, self._anchor(origin, readings[-1].ms), readings)

    def release(self, stream: str, ranges: Iterable[Range]) -> None:
        """A receipt covers these numbers; those that are not held, or a stream that is not known, do not matter."""
        with self._changed:
            known = self._streams.get(stream)
            if known is None:
                return
            gone = len(known.gone)
            self._ids.free(known.release(ranges))
            known.forget_recent()
            if gone:
                self._cards[stream] = known
            self._leave(known)

    def lost(self, stream: str, ranges: Iterable[Range]) -> None:
        """The collector has these numbers on record as lost: where they are gone, there is no need to remember it."""
        with self._changed:
            known = self._streams.get(stream)
            if known is None or not len(known.gone):
                return
            known.gone = less(known.gone, Ranges(ranges))
            self._cards[stream] = known
            self._leave(known)

    def write(self) -> bool:
        """One step of the writer: what is waiting, in one transaction. The thread that `start` begins does only this.

        Returns:
            Whether anything was written.
        """
        with self._using_file:
            try:
                if self._damage:
                    self._heal()
                return self._failure is None and self._commit()
            except (sqlite3.OperationalError, OutboxError) as error:  # full, read-only, not answering: it may pass
                self._not_written(str(error))
            except Exception as error:
                if type(error) in DAMAGE and self._healed < MOST_HEALED:
                    self._damage = str(error)
                    self._not_written(f"it is damaged ({error})")
                else:
                    self._fail(f"readings cannot be written ({error}). Stop the node and keep a copy of the folder.")
        return False

    def _write_on(self) -> None:
        """The writer's thread: one commit a tick, or a few a second where ticks are faster than that."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting() or self._closing)
                self._urgent = False
            began_s = time.monotonic()
            wrote = self.write()
            with self._changed:
                if self._failure or (self._closing and (not wrote or not self._waiting())):
                    return
                offering = self._failures >= FAILURES
            if wrote or offering:
                self._on_commit()
            left_s = (self._pause_s if wrote else _RETRY_S) - (time.monotonic() - began_s)
            with self._changed:
                self._urgent = self._urgent and wrote  # a disk that takes nothing is not asked more often for that
                self._changed.wait_for(
                    lambda: self._closing or self._hurry or (self._urgent and not self._failures), max(0.0, left_s)
                )

    def _waiting(self) -> bool:
        return any(stream.waiting for stream in self._by_basin.values())

    def _commit(self) -> bool:
        """Write what is waiting, if anything is, and with it what has become of the rest."""
        with self._changed:
            step = self._next_step()
        if step:
            self._perform(step)
        return step is not None

    def _perform(self, step: Step) -> None:
        """One transaction."""
        file, dropped = self._file, list[Run]()
        file.begin()
        try:
            file.delete(step.deleted)
            file.delete(row.id for merge in step.merges for row in merge.small)
            rows = [(row.id, data) for merge in step.merges for row, data in merge.large]
            rows += [(row.id, data) for _, row, data in step.rows]
            dropped += file.make_room([data for _, data in rows])
            file.put(rows)
            self._write_cards(step, dropped)
            file.commit()
        except BaseException:
            file.rollback()
            raise
        with self._changed:
            self._apply(step, dropped)

    def _next_step(self) -> Step | None:
        """What to write now; None if there is nothing."""
        tidy = self._closing or self._commits % TIDY_EVERY == 0
        keep = 0 if self._closing else FREE_SLOTS * len(self._by_basin)
        deleted = self._ids.useless(keep) if tidy else []
        cards = list(self._cards.values()) if tidy else []
        if not (self._waiting() or deleted or cards):
            return None
        now = read_anchor(self._clock)
        full = self._commits % FULL_EVERY == 0 or not same_clock(now, self._anchor_told)
        step = Step(now, full, [], [], [], [], [], cards)
        slots, large = self._ids.slots(), self._ids.large()
        for stream in self._by_basin.values():
            if not stream.waiting:
                continue
            first, readings = stream.written + 1, stream.readings(stream.written + 1, stream.taken)
            anchor = not_before(now, readings[-1].ms)
            for *numbers, data in pack(stream.origin, anchor, first, readings, full=full or first == 1):
                step.rows.append((stream, Row(next(slots), *numbers), data))
            step.ends.append((stream, stream.taken))
            if first == 1 and stream not in step.cards:
                step.cards.append(stream)
            if len(stream.recent) - stream.waiting >= MERGE_AT:
                small = oldest_slots(stream, MERGE)
                step.merges.extend(merges(stream, small, anchor, large, stream.readings))
                step.squeezed.extend((stream, row.last) for row in small[-1:])
        used = {row.id for _, row, _ in step.rows}
        step.deleted.extend(id_ for id_ in deleted if id_ not in used)
        return step

    def _write_cards(self, step: Step, dropped: Sequence[Run]) -> None:
        """Write what is gone, with what this transaction drops."""
        with self._changed:
            gone = {stream: Ranges(stream.gone) for stream in step.cards}
            for run in dropped:
                stream = self._by_key.get(run.key)
                if stream:  # else a receipt has covered all of it meanwhile
                    for piece in stream.unreceipted(run.first, run.last):
                        gone.setdefault(stream, Ranges(stream.gone)).add(*piece)
            finished = [stream for stream in gone if stream.finished and not len(gone[stream])]
            cards = [
                Card(
                    (stream.origin, self._clocks_of(stream, step)), max(stream.offered, ranges.last or 0), tuple(ranges)
                )
                for stream, ranges in gone.items()
                if stream not in finished
            ]
        self._file.put((-card.stream[0].serial, pack_card(card)) for card in cards)
        self._file.delete(-stream.origin.serial for stream in finished)

    def _clocks_of(self, stream: Stream, step: Step) -> Anchor:
        """The clocks for a stream's card: now, or as they are known of an earlier boot, whose clock was another."""
        return step.now if stream.origin.boot == self._clock.boot_id else self._anchors[stream.origin.boot]

    def _apply(self, step: Step, dropped: Sequence[Run]) -> None:
        """The disk has it."""
        self._ids.wrote(step)
        if step.full:
            self._anchor_told = step.now
        for stream in step.cards:
            self._cards.pop(stream.origin.name, None)
        for stream, end in step.ends:
            stream.offer(end)
            stream.written = max(stream.written, end)
        added = [(stream, row) for stream, row, _ in step.rows]
        for stream, small, large in step.merges:
            stream.rows.take(small[0].first, small[-1].last)
            added += [(stream, row) for row, _ in large]
        for stream, last in step.squeezed:
            stream.squeezed = last
        for stream, row in added:
            stream.rows.add(row)
            self._ids.free(stream.without_idle([row]))
        for run in dropped:
            self._drop(run)
        for stream, _ in step.ends:
            stream.forget_recent()
        self._bound_memory()
        if self._failures:
            log.warning("outbox written again file=%s", self._file.file)
        self._commits += bool(step.ends)
        self._failures, self.trouble = 0, ""
        self._changed.notify_all()

    def _drop(self, run: Run) -> None:
        """The bound has cost these."""
        stream = self._by_key.get(run.key)
        if stream is None:
            return
        stream.rows.take(run.first, run.last)
        count = stream.give_up([(run.first, run.last)])
        if count and not self.dropped:
            log.error("outbox full file=%s; from now on the oldest readings are given up", self._file.file)
        self.dropped += count

    def _bound_memory(self) -> None:
        """Give up the oldest of what waits where there is too much of it; what is on disk only leaves the memory."""
        most = MOST_RECENT // max(1, len(self._by_basin))
        for stream in self._by_basin.values():
            if len(stream.recent) > most and (lost := stream.forget_recent(most)):
                self.dropped += lost
                self._cards[stream.origin.name] = stream

    def _not_written(self, problem: str) -> None:
        with self._changed:
            if not self._failures:
                log.warning("outbox not_written problem=%r file=%s", problem, self._file.file)
            self._failures, self.trouble = self._failures + 1, f"the disk takes no readings ({problem})"
            if self._failures == FAILURES:
                log.error("outbox readings are sent from memory until the disk takes them again")
            for stream in self._by_basin.values():
                if self._failures >= FAILURES:
                    stream.offer(stream.taken)

    def _fail(self, problem: str) -> None:
        with self._changed:
            self._failure = OutboxError(self._file.file, problem)
            self._changed.notify_all()

    def _from_disk(self, stream: Stream, first: int, last: int) -> list[Reading]:
        """Readings on disk from `first` on, up to `last` or to what cannot be read."""
        with self._changed:
            rows = stream.rows.within(first, last)
        readings: list[Reading] = []
        for row in rows:
            there = self._read(stream, row)
            if not there or row.first > first + len(readings):
                break
            readings += there[max(0, first - row.first) : last - row.first + 1]
        return readings

    def _read(self, stream: Stream, row: Row) -> list[Reading]:
        """A row's readings; none if it cannot be read: the next write, or the next start, sees to the file."""
        try:
            run = self._file.run(row.id)
            readings = unpack(run, stream.origin.sensors)
        except DAMAGE as error:
            if not self._damage:
                log.warning("outbox not_read row=%s problem=%r file=%s", row, str(error), self._file.file)
            if not isinstance(error, sqlite3.OperationalError) and self._healed < MOST_HEALED:
                self._damage = str(error)
            return []
        return readings if (run.key, run.first, run.last) == (key_of(stream.origin), row.first, row.last) else []

    def _load(self) -> None:
        """Take in what the file holds."""
        try:
            found = self._found()
        except DAMAGE as error:
            self._file.heal(str(error))
            found = self._found()
        for stream in found:
            stream.held = less(stream.held, stream.gone)
            if self._file.salvaged and len(stream.held):
                first = next(iter(stream.held))[0]
                self.dropped += stream.taken - first + 1 - stream.held.count()
            self._ids.free(stream.without_idle(stream.rows.within(1, stream.taken)))
            self._keep(stream)
            self._leave(stream)
        try:
            self._merge_all()
        except DAMAGE as error:  # tidying can wait; damage is mended with the first commit
            log.warning("outbox not_tidied problem=%r file=%s", str(error), self._file.file)
            if not isinstance(error, sqlite3.OperationalError):
                self._damage = str(error)

    def _merge_all(self) -> None:
        """No stream in the file is written any more: all their slots become large rows."""
        large, found = self._ids.large(), list[Merge]()
        for stream in self._streams.values():
            anchor = self._anchors[stream.origin.boot]
            found += merges(stream, small_slots(stream), anchor, large, partial(self._from_disk, stream))
        if found:
            self._perform(Step(read_anchor(self._clock), False, [], [], found, [], [], []))

    def _keep(self, stream: Stream) -> None:
        self._streams[stream.origin.name] = self._by_key[key_of(stream.origin)] = stream

    def _leave(self, stream: Stream) -> None:
        """Take a stream out of the list if nothing keeps it there; its card is deleted in time."""
        if stream.finished:
            del self._streams[stream.origin.name], self._by_key[key_of(stream.origin)]
            self._cards[stream.origin.name] = stream

    def _found(self) -> list[Stream]:
        """Every stream in the file, oldest first."""
        found: dict[bytes, Stream] = {}
        for id_, block in self._file.rows():
            if block.stream:
                origin, anchor = block.stream
                found.setdefault(block.key, Stream(origin, current=False))
                best = self._anchors.get(origin.boot, anchor)
                self._anchors[origin.boot] = max(best, anchor, key=lambda each: (each.synced, each.boot_ms))
                self._next_serial = max(self._next_serial, origin.serial + 1)
            if block.key not in found:
                raise DamagedBlockError(f"row {id_} is of a stream that is not described")
            found[block.key].take_in(id_, block)
            if id_ > 0:
                self._ids.seen(id_)
        return sorted(found.values(), key=lambda stream: stream.origin.serial)

    def _heal(self) -> None:
        """The file turned out to be damaged: go on with what can be read in it and what is still in memory."""
        self._file.heal(self._damage or "")
        self._healed, self._damage = self._healed + 1, None
        with self._changed:
            self._ids = RowIds()
            found = {stream.origin.name: stream for stream in self._found()}
            self._cards = {name: stream for name, stream in found.items() if name not in self._streams}
            for stream in self._cards.values():
                self._ids.free(stream.rows.within(1, stream.taken))
            for name, stream in self._streams.items():
                lost, useless = stream.reload(found[name].rows if name in found else Rows())
                self._ids.free(useless)
                self.dropped += lost
                self._cards[name] = stream

    def _anchor(self, origin: Origin, last_ms: int) -> wire.Clock:
        """Both clocks at or after the last reading: now, or the best that is known of an earlier boot."""
        if origin.boot == self._clock.boot_id:
            return stamp(self._clock, last_ms)
        ms, utc_ms, synced = not_before(self._anchors[origin.boot], last_ms)
        return wire.Clock(ms, utc_text(utc_ms), synced)
