"""A node, a broker that reorders and repeats, and a collector whose disk fails and whose process ends: for properties.

The node is honest: it holds what no receipt has covered, unless it lost it, and says so in its state. Everything else
is out of order. `Delivery` plays a list of whole numbers, each of which is one thing that happens.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
from kit import SENSOR, WallClock, arrived, batch, clock_at, looking, opened, reading, stream_id

from collector.intake import Arrived, Intake
from collector.required import Required
from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.ranges import Ranges
from soak.reading import Reading
from soak.requirement import Requirement, SensorTerms
from soak.wire import HeldStream, State

PAUSES_MS = (1_000, 1_000, 1_000, 1_000, 1_000, 400, 5_000, 5_001)
LIDS = ("closed", "closed", "closed", "closed", "closed", "open")
TEMPERATURES_MC = (21_000, 21_000, 21_000, 20_500, 20_499, None)
"""With U = 500 m°C and 20 °C asked for: in range, just in range, just out, no value."""
WHYS = ("tick", "tick", "tick", "clock")
TERMS = {SENSOR: SensorTerms(u_mc=500)}


@dataclass
class Stream:
    """One stream as it was sampled, and what its node still holds of it."""

    stream: str
    boot: str
    booted_utc_ms: int
    readings: list[Reading]
    taken: int = 0
    held: Ranges = field(default_factory=Ranges)

    def batch(self, first: int, last: int) -> Any:
        readings = self.readings[first - 1 : last]
        clock = clock_at(readings[-1].ms, booted_utc_ms=self.booted_utc_ms)
        return batch(readings, first, stream=self.stream, boot=self.boot, clock=clock)


def sampled(codes: Sequence[int], number: int, boot: str, booted_utc_ms: int) -> Stream:
    """A stream from whole numbers: each is one reading's pause, lid, temperature and reason."""
    ms, readings = 0, []
    for code in codes:
        rest, pause = divmod(code, len(PAUSES_MS))
        rest, lid = divmod(rest, len(LIDS))
        rest, mc = divmod(rest, len(TEMPERATURES_MC))
        ms += PAUSES_MS[pause]
        readings.append(reading(ms, LIDS[lid], TEMPERATURES_MC[mc], why=WHYS[rest % len(WHYS)]))
    return Stream(stream_id(number), boot, booted_utc_ms, readings)


def in_force(required: Sequence[Required], utc_ms: int) -> tuple[Requirement | None, dict[str, SensorTerms]]:
    """What is required at a time: the latest that began by then."""
    begun = [each for each in required if each.since_ms <= utc_ms]
    return (begun[-1].requirement, begun[-1].terms) if begun else (None, {})


def quiet_run(
    stream: Stream, numbers: Ranges, required: Sequence[Required], *, newer: bool
) -> tuple[list[Closure], Closure | None]:
    """The rule over these numbers, in order, each once: closures that ended, and the one in progress."""
    meter = Meter(None, {})
    ended = []
    for first, last in numbers:
        for number in range(first, last + 1):
            each = stream.readings[number - 1]
            meter.require(*in_force(required, stream.booted_utc_ms + each.ms))
            ended.append(meter.feed(number, each))
    ended.append(meter.end() if newer else None)
    return [closure for closure in ended if closure], meter.running()


class FlakyConnection:
    """A connection whose disk fails at a chosen statement, the commit included."""

    def __init__(self, real: sqlite3.Connection) -> None:
        self._real = real
        self.statements_left: int | None = None

    def _next(self) -> None:
        if self.statements_left is not None:
            self.statements_left -= 1
            if self.statements_left < 0:
                raise sqlite3.OperationalError("disk I/O error")

    def execute(self, *values: Any) -> Any:
        self._next()
        return self._real.execute(*values)

    def executemany(self, *values: Any) -> Any:
        self._next()
        return self._real.executemany(*values)

    def commit(self) -> None:
        self._next()
        self._real.commit()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)


class Delivery:
    """Plays what happens; `finish` lets everything that is still held arrive in the end."""

    def __init__(self, folder: Path, streams: Sequence[Stream], required: Sequence[Required]) -> None:
        self.folder, self.streams, self.required = folder, list(streams), list(required)
        self.delivered = {stream.stream: Ranges() for stream in streams}
        self.verdicts: dict[int, str] = {}
        self._mail: list[tuple[Arrived, Any]] = []
        self._newest_boot = ""
        self._clock = WallClock()
        self._open()
        with self.store.transaction():
            basin_id = self.store.basin_id("n1", "b1")
            for each in required:
                self.store._run(
                    "INSERT INTO requirement (basin_id, since_ms, requirement, sensors) VALUES (?, ?, ?, ?)",
                    basin_id,
                    each.since_ms,
                    msgspec.json.encode(each.requirement).decode() if each.requirement else None,
                    msgspec.json.encode(each.terms).decode(),
                )

    def _open(self) -> None:
        self.store = opened(self.folder, self._clock)
        self.flaky = FlakyConnection(self.store.db.conn)
        self.store.db.conn = self.flaky  # type: ignore[assignment]
        self.intake = Intake(self.store, self._clock)

    def close(self) -> None:
        self.store.close()

    def play(self, codes: Sequence[int]) -> None:
        """Each code is one thing that happens."""
        kinds = (self._advance, self._send, self._send, self._state, self._deliver, self._deliver, self._lose)
        for code in codes:
            rest, kind = divmod(code, len(kinds) + 1)
            if kind == len(kinds):
                self._restart(rest)
            else:
                kinds[kind](rest)

    def _begun(self) -> list[Stream]:
        return [stream for stream in self.streams if stream.taken]

    def _advance(self, code: int) -> None:
        """The node takes more readings; a boot begins when the one before has ended."""
        for _ in range(1 + code % 8):
            stream = next((each for each in self.streams if each.taken < len(each.readings)), None)
            if stream:
                stream.taken += 1
                stream.held.add(stream.taken, stream.taken)

    def _send(self, code: int) -> None:
        """Some numbers of some stream, whatever has been sent before, as long as the node holds them."""
        begun = [stream for stream in self._begun() if len(stream.held)]
        if not begun:
            return
        rest, index = divmod(code, len(begun))
        ranges = list(begun[index].held)
        rest, piece = divmod(rest, len(ranges))
        first, last = ranges[piece]
        rest, skip = divmod(rest, min(4, last - first + 1))
        self._put(begun[index], first + skip, min(last, first + skip + rest % 6))

    def _put(self, stream: Stream, first: int, last: int) -> None:
        self._mail.append((arrived(stream.batch(first, last)), (stream.stream, first, last)))

    def _state(self, code: int) -> None:
        begun = self._begun()
        if begun:
            current = begun[-1]
            ms = current.readings[current.taken - 1].ms
            listed = [
                HeldStream(each.stream, "b1", next((first for first, _ in each.held), each.taken + 1), each.taken)
                for each in begun
                if len(each.held) or each is current
            ]
            clock = clock_at(ms, booted_utc_ms=current.booted_utc_ms)
            said = State(up=True, version="0.1.0", boot=current.boot, clock=clock, streams=listed)
            self._mail.append((arrived(said, retained=bool(code & 1)), current))

    def _lose(self, code: int) -> None:
        """Something happens to the node's card."""
        begun = self._begun()
        if begun and code % 3 == 0:
            rest, index = divmod(code // 3, len(begun))
            stream = begun[index]
            first = 1 + rest % stream.taken
            last = min(stream.taken, first + rest % 4)
            held = [piece for each in stream.held for piece in Ranges([(first, last)]).missing(*each)]
            stream.held = Ranges(held)

    def _deliver(self, code: int) -> None:
        """Some of what waits at the broker, in any order, some of it twice; now and then the disk fails."""
        rest, many = divmod(code, 4)
        messages = []
        for _ in range(many + 1):
            if self._mail:
                rest, index = divmod(rest, len(self._mail))
                messages.append(self._mail[index] if rest % 5 == 0 else self._mail.pop(index))
        self._take(messages, fail_at=rest % 40 if rest % 3 == 0 else None, receipt_lost=rest % 7 == 0)

    def _take(self, messages: list[tuple[Arrived, Any]], *, fail_at: int | None, receipt_lost: bool) -> None:
        messages = [each for each in messages if not self._of_an_earlier_boot(each[1])]
        self.flaky.statements_left = fail_at
        try:
            receipts = self.intake.take([message for message, _ in messages])
        except sqlite3.OperationalError:
            return
        finally:
            self.flaky.statements_left = None
        for _, content in messages:
            if isinstance(content, tuple):
                self.delivered[content[0]].add(*content[1:])
        for receipt in receipts.values():
            for name, ranges in receipt.streams.items():
                self._on_disk(name, ranges)
                if not receipt_lost:
                    self._release(name, ranges)
        self._remember_verdicts()

    def _of_an_earlier_boot(self, content: Any) -> bool:
        """A broker hands over in order what one connection said: a state never follows anything of a later boot."""
        stated = isinstance(content, Stream)
        stream = content if stated else next(each for each in self.streams if each.stream == content[0])
        if stream.boot < self._newest_boot:
            return stated
        self._newest_boot = stream.boot
        return False

    def _release(self, name: str, ranges: Sequence[tuple[int, int]]) -> None:
        stream = next(each for each in self.streams if each.stream == name)
        covered = Ranges(ranges)
        stream.held = Ranges(piece for each in stream.held for piece in covered.missing(*each))

    def _on_disk(self, name: str, ranges: Sequence[tuple[int, int]]) -> None:
        """No receipt without data on disk, seen by somebody else."""
        with looking(self.folder) as other:
            held = Ranges(
                other.execute(
                    """SELECT b.first, b.last FROM batch b JOIN stream s ON s.id = b.stream_id WHERE s.stream = ?1
                       UNION ALL
                       SELECT p.first, p.last FROM page p JOIN stream s ON s.id = p.stream_id WHERE s.stream = ?1""",
                    (name,),
                ).fetchall()
            )
        assert not [piece for each in ranges for piece in held.missing(*each)], f"receipt for {ranges}, stored {held}"

    def _remember_verdicts(self) -> None:
        """Every verdict ever given stays, word for word."""
        with looking(self.folder) as other:
            rows = dict(other.execute("SELECT id, body FROM judged").fetchall())
        for row, body in self.verdicts.items():
            assert rows.get(row) == body
        self.verdicts = rows

    def claims(self) -> list[tuple[str, Closure]]:
        """Every closure that stands or runs at present, with its stream: what a page would show as met."""
        with looking(self.folder) as other:
            rows = other.execute(
                """SELECT s.stream, c.body FROM judged c JOIN stream s ON s.id = c.stream_id
                   WHERE c.superseded_by IS NULL"""
            ).fetchall()
            shown = [msgspec.json.decode(body) for (body,) in other.execute("SELECT body FROM now")]
        found = [(stream, msgspec.json.decode(body, type=Closure)) for stream, body in rows]
        running = [(each["stream"], msgspec.convert(each["closure"], Closure)) for each in shown if each["closure"]]
        return found + running

    def _restart(self, code: int) -> None:
        if code % 2 == 0:
            self.close()
            self._open()

    def finish(self) -> None:
        """The node takes what is left, and in the end everything it holds arrives and is receipted."""
        for _ in range(1 + sum(len(stream.readings) for stream in self.streams)):
            self._advance(0)
        for _ in range(3):
            self._state(0)
            for stream in self._begun():
                for first, last in stream.held:
                    self._put(stream, first, last)
            mail, self._mail = self._mail, []
            for message in mail:
                self._take([message], fail_at=None, receipt_lost=False)


def met_in_truth(streams: Sequence[Stream], required: Sequence[Required]) -> dict[str, Ranges]:
    """Per stream the numbers that are in a closure which is met when nothing at all is lost."""
    found = {}
    for index, stream in enumerate(streams):
        whole = Ranges([(1, len(stream.readings))])
        ended, running = quiet_run(stream, whole, required, newer=index < len(streams) - 1)
        closures = [*ended, running] if running else ended
        found[stream.stream] = Ranges((each.first, each.last) for each in closures if each.verdict is Verdict.MET)
    return found
