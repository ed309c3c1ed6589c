"""Readings on disk until a receipt covers them.

The node's loop hands readings over and goes on; a thread of its own writes them, for a card may stall for seconds. Only
what the disk has is offered to the uplink.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from firmware.clock import Clock, read_together, stamp
from firmware.errors import OutboxError
from firmware.outbox_file import FILE_NAME, OutboxFile, Released, StoredStream
from firmware.packing import pack, unpack
from soak import wire
from soak.quantity import utc_text
from soak.ranges import Range, Ranges
from soak.reading import Reading, SensorId

log = logging.getLogger(__name__)

MOST_UNWRITTEN = 20_000
"""Readings kept in memory while the disk does not take them; beyond that the node stops, and says why."""

_RETRY_S = 1.0


class _Stream:
    """What is known of a stream without asking the disk."""

    def __init__(self, stored: StoredStream, held: Ranges, *, current: bool) -> None:
        self.stored, self.held, self.current = stored, held, current
        self.taken = stored.newest  # number of the newest reading handed over, written or not


class Outbox:
    """A durable `firmware.source.Source`.

    Args:
        folder: The node's data folder.
        clock: The node's clocks, for the anchors of its streams.
        pause_s: Real seconds from one commit to the next at least; half a tick, but no less than a quarter second, if
            not given.
        most_bytes: What the file may take at most, its log included; None for no bound.

    Attributes:
        dropped: Readings given up since this object was made, because there was no room.

    Raises:
        OutboxError: The file there cannot be used.
    """

    def __init__(
        self, folder: Path, clock: Clock, *, pause_s: float | None = None, most_bytes: int | None = None
    ) -> None:
        self.dropped, self._most_bytes = 0, most_bytes
        self._file, self._clock = OutboxFile(folder / FILE_NAME), clock
        self._changed = threading.Condition()  # guards everything below
        self._reading = threading.Lock()  # guards the file's reading side
        self._pause_s = max(0.25, clock.real_s(500)) if pause_s is None else pause_s
        found = self._file.streams()
        self._streams = {stored.name: _Stream(stored, held, current=False) for stored, held in found if len(held)}
        self._next_id = max((stored.id for stored, _ in found), default=0) + 1
        self._by_basin: dict[str, _Stream] = {}
        self._unwritten: list[tuple[_Stream, int, Reading]] = []
        self._released = [Released(stored.id, 1, stored.newest, whole=True) for stored, held in found if not len(held)]
        self._closing = self._hurry = self._failing = False
        self._failure: OutboxError | None = None
        self._on_commit: Callable[[], None] = lambda: None
        self._writer = threading.Thread(target=self._write_on, name="outbox", daemon=True)

    def begin(self, basin: str, sensors: Sequence[SensorId]) -> str:
        """Begin the basin's stream of this start of the node: numbers from 1, an id that never comes again."""
        with self._changed:
            name = secrets.token_hex(16)
            stored = StoredStream(self._next_id, name, basin, self._clock.boot_id, tuple(sensors), 0, 0, 0, False)
            self._next_id += 1
            self._streams[name] = self._by_basin[basin] = _Stream(stored, Ranges(), current=True)
            return name

    def start(self, on_commit: Callable[[], None]) -> None:
        """Begin to write. `on_commit` is called from the writer's thread after each commit."""
        self._on_commit = on_commit
        self._writer.start()

    def append(self, readings: Sequence[tuple[str, Reading]]) -> None:
        """Hand over readings, each with its basin, oldest first: once a tick, to be written in one transaction.

        Raises:
            OutboxError: The disk does not take them.
        """
        self.check()
        with self._changed:
            for basin, reading in readings:
                stream = self._by_basin[basin]
                stream.taken += 1
                self._unwritten.append((stream, stream.taken, reading))
            self._changed.notify_all()

    def check(self) -> None:
        """Raise what keeps readings from being written, if anything does.

        Raises:
            OutboxError: The disk does not take them.
        """
        with self._changed:
            if self._failure:
                raise self._failure

    def flush(self, within_s: float = 5.0) -> None:
        """Wait until the disk has everything handed over so far, or until `within_s` real seconds have passed."""
        with self._changed:
            self._hurry = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._unwritten or self._failure, within_s)
            self._hurry = False

    def close(self) -> None:
        """Write what is left and let go of the file."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if self._writer.is_alive():
            self._writer.join()
        self._file.close()

    def streams(self) -> list[wire.HeldStream]:
        """Every stream still held or being written, oldest first."""
        with self._changed:
            return [_told(stream) for stream in self._streams.values()]

    def held(self, stream: str) -> Ranges:
        """Numbers of one stream that are on disk and that no receipt has covered yet."""
        with self._changed:
            known = self._streams.get(stream)
            return Ranges(known.held if known else ())

    def batch(self, stream: str, first: int, most: int) -> wire.Batch:
        """Consecutive readings from `first` on, at most `most`.

        Raises:
            LookupError: Number `first` is not held.
        """
        with self._changed:
            known = self._streams[stream]
            stored, last = known.stored, known.held.run_end(first)
        if last is None:
            raise LookupError(f"Reading {first} of stream {stream} is not held.")
        with self._reading:
            rows = self._file.readings(stored.id, first, min(last, first + most - 1))
        readings = [unpack(data, stored.sensors) for _, data in rows]
        return wire.Batch(stream, stored.basin, stored.boot, first, self._anchor(stored, readings[-1].ms), readings)

    def release(self, stream: str, ranges: Iterable[Range]) -> None:
        """A receipt covers these numbers; those that are not held, or a stream that is not known, do not matter."""
        with self._changed:
            known = self._streams.get(stream)
            if known is None:
                return
            covered = Ranges(ranges)
            left = Ranges(piece for first, last in known.held for piece in covered.missing(first, last))
            for first, last in known.held:
                self._released += [Released(known.stored.id, *gone) for gone in left.missing(first, last)]
            known.held = left
            if not known.current and not len(left):
                del self._streams[stream]
                self._released.append(Released(known.stored.id, 1, known.stored.newest, whole=True))

    def lost(self, stream: str, ranges: Iterable[Range]) -> None:
        """The collector has these numbers on record as lost: where they are gone, there is no need to remember it."""

    def write(self) -> bool:
        """One step of the writer: what is waiting, in one transaction. The thread that `start` begins does only this.

        Returns:
            Whether anything was written.
        """
        with self._changed:
            if self._failure or not (self._unwritten or self._released):
                return False
            closing = self._closing
        try:
            self._commit()
        except sqlite3.OperationalError as error:  # full, busy, not answering: it may pass
            if not self._failing:
                log.warning("outbox not_written problem=%r file=%s", str(error), self._file.file)
            self._failing = True
            if closing or self._too_many():
                self._fail(f"the disk takes no more readings ({error}). Make room or replace the card.")
            return False
        except Exception as error:
            self._fail(f"readings cannot be written ({error}). Stop the node and keep a copy of the folder.")
            return False
        if self._failing:
            log.warning("outbox written again file=%s", self._file.file)
        self._failing = False
        return True

    def _anchor(self, stored: StoredStream, last_ms: int) -> wire.Clock:
        """Both clocks at or after the last reading: now, or when a stream of an earlier boot was last written."""
        if stored.boot == self._clock.boot_id:
            return stamp(self._clock, last_ms)
        return wire.Clock(stored.clock_ms, utc_text(stored.utc_ms), stored.synced)

    def _write_on(self) -> None:
        """The writer's thread: one commit a tick, or a few a second where ticks are faster than that."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._unwritten or self._closing)
                if self._failure or (self._closing and not self._unwritten and not self._released):
                    return
            began_s = time.monotonic()
            if self.write():
                self._on_commit()
            left_s = (_RETRY_S if self._failing else self._pause_s) - (time.monotonic() - began_s)
            with self._changed:
                self._changed.wait_for(lambda: self._closing or self._hurry or self._failure, max(0.0, left_s))

    def _commit(self) -> None:
        with self._changed:
            taken, released = list(self._unwritten), list(self._released)
        rows = [(stream.stored.id, number, pack(reading, stream.stored.sensors)) for stream, number, reading in taken]
        boot_ms, utc_ms = read_together(self._clock)
        newest: dict[str, tuple[_Stream, StoredStream]] = {}
        for stream, number, reading in taken:
            late_ms = max(0, reading.ms - boot_ms)
            stored = stream.stored._replace(
                newest=number, clock_ms=boot_ms + late_ms, utc_ms=utc_ms + late_ms, synced=self._clock.synced()
            )
            newest[stored.name] = stream, stored
        self._file.commit([stored for _, stored in newest.values()], rows, released)
        with self._changed:
            del self._unwritten[: len(taken)], self._released[: len(released)]
            for stream, stored in newest.values():
                stream.held.add(stream.stored.newest + 1, stored.newest)
                stream.stored = stored
            self._changed.notify_all()

    def _too_many(self) -> bool:
        with self._changed:
            return len(self._unwritten) > MOST_UNWRITTEN

    def _fail(self, problem: str) -> None:
        with self._changed:
            self._failure = OutboxError(self._file.file, problem)
            self._changed.notify_all()


def _told(stream: _Stream) -> wire.HeldStream:
    oldest = next(iter(stream.held), (stream.stored.newest + 1, 0))[0]
    return wire.HeldStream(stream.stored.name, stream.stored.basin, oldest, stream.stored.newest, stream.stored.boot)
