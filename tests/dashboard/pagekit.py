"""A clinic in a real store, filled through the collector's own intake, and servers over it."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, NamedTuple

import uvicorn
from litestar import Litestar

from collector.intake import Arrived, Intake
from collector.record.things import Person
from collector.settings import BasinSettings, RequirementSettings, SensorSettings, Settings
from collector.store import Store
from dashboard.app import build_app
from dashboard.door import Signed
from dashboard.when import SiteTime
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.rehearsal import Rehearsal
from soak.wire import Batch, Clock, DiskUse, HeldStream, SensorSeen, State, Topic, encode

NOW_MS = 1_772_540_280_000
"""Tue 3 Mar 2026 13:18 at the site, which is one hour ahead of UTC."""
WHEN = SiteTime(timezone(timedelta(hours=1)))
CLINIC = "Harbour Lane Clinic"
DISK = DiskUse(63_400_000_000, 30 * 86_400_000, 21_474_836_480, 31_268_536_320, 20)
XSS = "<script>alert(1)</script>"


class Span(NamedTuple):
    """So many seconds with the lid so, at so many degrees (two numbers: from, to; None: no value)."""

    seconds: int
    lid: str
    celsius: float | tuple[float, float] | None = 21.3
    fault: str = "no-answer"


class Track(NamedTuple):
    """Where a basin's stream has got to: it can be carried on from here."""

    booted_ms: int
    next_number: int
    newest_ms: int
    span: Span
    sensors: tuple[str, ...]
    stream: str


class Player:
    """Plays basins into a store, as nodes would."""

    def __init__(self, data_dir: Path, settings: Settings | None = None, now_ms: int = NOW_MS) -> None:
        self.now_ms = now_ms
        self.store = Store(data_dir, lambda: self.now_ms)
        if settings is not None:
            self.store.apply(settings)
        self.intake = Intake(self.store, lambda: self.now_ms)
        self.tracks: dict[str, Track] = {}

    def close(self) -> None:
        self.store.close()

    def play(
        self,
        key: str,
        spans: Sequence[Span],
        sensors: Sequence[str],
        *,
        end_ms: int | None = None,
        stream: str = "a",
        synced: bool = True,
    ) -> None:
        """Readings once a second and at every move of the lid, the last one at `end_ms`."""
        node, basin = key.split("/")
        end_ms = self.now_ms if end_ms is None else end_ms
        at_ms = end_ms - sum(span.seconds for span in spans) * 1000
        booted_ms = at_ms - 60_000
        readings: list[Reading] = []
        lid = None
        for span in spans:
            for second in range(span.seconds):
                at_ms += 1000
                if lid not in (None, span.lid) and second == 0:
                    readings.append(_reading(at_ms - 400 - booted_ms, span, 0, sensors, Why.LID))
                readings.append(_reading(at_ms - booted_ms, span, second, sensors, Why.TICK))
                lid = span.lid
        self._send(node, basin, readings, booted_ms, stream, synced=synced)
        self.tracks[key] = Track(booted_ms, len(readings) + 1, at_ms, spans[-1], tuple(sensors), stream)

    def carry_on(self, key: str, track: Track, *, lid: str | None = None, to_ms: int) -> Track:
        """Readings from where `track` ends up to `to_ms`, as in its last span but with the lid so."""
        node, basin = key.split("/")
        span = track.span._replace(lid=lid or track.span.lid)
        times = range(track.newest_ms + 1000, to_ms + 1, 1000)
        if not times:
            return track
        readings = [_reading(at_ms - track.booted_ms, span, 0, track.sensors, Why.TICK) for at_ms in times]
        self._send(node, basin, readings, track.booted_ms, track.stream, first=track.next_number)
        return track._replace(next_number=track.next_number + len(readings), newest_ms=times[-1], span=span)

    def _send(
        self,
        node: str,
        basin: str,
        readings: Sequence[Reading],
        booted_ms: int,
        stream: str,
        *,
        first: int = 1,
        synced: bool = True,
    ) -> None:
        messages = []
        for start in range(0, len(readings), 500):
            piece = list(readings[start : start + 500])
            clock = Clock(piece[-1].ms, utc_text(booted_ms + piece[-1].ms), synced)
            batch = Batch(stream_id(node, basin, stream), basin, boot_id(stream), first + start, clock, piece)
            messages.append(Arrived(Topic.READINGS.of(node), encode(batch)))
        self.intake.take(messages)

    def say(
        self, node: str, *, up: bool = True, held: Sequence[HeldStream] = (), outbox: int = 0, ms: int = 60_000
    ) -> None:
        """A node's state message."""
        clock = Clock(ms, utc_text(self.now_ms), synced=True)
        sensors = [SensorSeen(sensor(1), "b1")]
        state = (
            State(True, "0.1.0", boot_id("a"), clock, list(held), sensors, outbox, disk=DISK) if up else State(up=False)
        )
        self.intake.take([Arrived(Topic.STATE.of(node), encode(state))])

    def garble(self, payload: bytes = b"\xff\xfe", topic: str = "soakledger/1/n1/readings") -> None:
        """A message that cannot be taken in."""
        self.intake.take([Arrived(topic, payload)])


def stream_id(node: str, basin: str, stream: str) -> str:
    return f"{node}{basin}{stream}".encode().hex().rjust(32, "0")[-32:]


def boot_id(stream: str) -> str:
    return f"00000000-0000-4000-8000-{stream.encode().hex():0>12}"


def _reading(ms: int, span: Span, second: int, sensors: Sequence[str], why: Why) -> Reading:
    if span.celsius is None:
        return Reading(ms, why, Lid(span.lid), dict.fromkeys(sensors), {each: Fault(span.fault) for each in sensors})
    low, high = span.celsius if isinstance(span.celsius, tuple) else (span.celsius, span.celsius)
    mc = round(1000 * (low + (high - low) * second / span.seconds))
    wobble = (0, 62, 0, -62, 0)[second // 7 % 5]
    return Reading(ms, why, Lid(span.lid), {each: mc + wobble + 31 * place for place, each in enumerate(sensors)}, {})


def basin_settings(key: str, label: str, sensors: Sequence[str], place: str = "", **need: Any) -> BasinSettings:
    node, name = key.split("/")
    required = RequirementSettings(**need) if need else None
    return BasinSettings(node, name, label, {each: SensorSettings(u_c="0.58") for each in sensors}, place, required)


def sensor(number: int) -> str:
    return f"28-{number:012x}"


NEED: dict[str, Any] = {"min_temp_c": "20", "contact": "12m", "since": datetime(2026, 1, 1, tzinfo=UTC)}


def clinic(data_dir: Path) -> Player:
    """Five basins on three nodes at 13:18, in five different states, with a morning behind them."""
    settings = Settings(
        CLINIC,
        basin=[
            basin_settings("n1/b1", "Basin 1", [sensor(1)], "scope room", **NEED),
            basin_settings("n1/b2", "Basin 2", [sensor(2)], "scope room", **NEED),
            basin_settings("n2/b1", "Basin 3", [sensor(3), sensor(4)], "ultrasound", **NEED),
            basin_settings("n2/b2", "Basin 4", [sensor(5)], "ultrasound", **NEED),
            basin_settings("n3/b1", "Basin 5", [sensor(6)], "store room"),
        ],
    )
    player = Player(data_dir, settings)
    open_ = Span(600, "open")
    met, early = Span(840, "closed"), Span(551, "closed")
    cold = Span(800, "closed", (20.9, 19.2))
    blind = [Span(300, "closed"), Span(60, "closed", None), Span(500, "closed")]
    morning = [open_, met, open_, cold, open_, *blind, open_, Span(20, "closed"), open_, met]
    player.play("n1/b1", [*morning, open_, early, Span(240, "open")], [sensor(1)])
    player.play("n1/b2", [*morning, open_, Span(445, "closed")], [sensor(2)])
    player.play("n2/b1", [*morning, open_, Span(790, "closed")], [sensor(3), sensor(4)])
    player.play("n2/b2", [*morning, open_, Span(200, "closed"), Span(30, "closed", None)], [sensor(5)])
    player.play("n3/b1", [open_, Span(700, "closed"), Span(300, "open")], [sensor(6)])
    for node in ("n1", "n2", "n3"):
        player.say(node)
    player.garble()
    player.garble(b'{"stream": 1}')
    return player


def copied(data_dir: Path, to: Path) -> Path:
    """The same data once more, to be written to."""
    to.mkdir(parents=True, exist_ok=True)
    for each in data_dir.iterdir():
        shutil.copy(each, to / each.name)
    return to


def rehearsal(now_ms: int = NOW_MS, speed: int = 1) -> Rehearsal:
    """A clock that says `now_ms` now."""
    return Rehearsal(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000, now_ms, speed)


class Going:
    """Basins that go on, a reading a second each, in a thread of their own, until the test is over."""

    def __init__(self, data_dir: Path, tracks: dict[str, Track], played: Rehearsal) -> None:
        self._data_dir, self._tracks, self._played = data_dir, dict(tracks), played
        self._over = threading.Event()
        self.lids: dict[str, str] = {}
        self._thread = threading.Thread(target=self._go)

    def __enter__(self) -> Going:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(20)

    def _go(self) -> None:
        player = Player(self._data_dir)
        try:
            while not self._over.wait(0.1):
                player.now_ms = self._played.utc_ms(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000)
                for key, track in self._tracks.items():
                    lid = self.lids.get(key)
                    self._tracks[key] = player.carry_on(key, track, lid=lid, to_ms=player.now_ms)
        finally:
            player.close()


def seen_by(app: Litestar, person: Person) -> Litestar:
    """The application as somebody sees it who is signed in, over data that know nobody, or that nobody may write to.

    For what pages show. How people get in is what test_signin.py and test_roles.py look at.
    """

    async def signed(*_: object, **__: object) -> Signed:
        return Signed(person, second_factor=False, token="of-a-test")  # noqa: S106

    app.state.keeper._signed = signed
    return app


@contextlib.contextmanager
def serving(data_dir: Path, played: Rehearsal | None = None, **more: Any) -> Iterator[str]:
    """A real server on a free loopback port; yields its address."""
    app = build_app(data_dir, rehearsal=played, when=WHEN, **more)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        config = uvicorn.Config(app, log_level="warning", access_log=False, timeout_graceful_shutdown=2, lifespan="on")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])))
        thread.start()
        deadline = time.monotonic() + 20
        while not server.started:
            assert time.monotonic() < deadline, "the server did not start within 20 s"
            time.sleep(0.01)
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            app.state.live.stop_soon()
            server.should_exit = True
            thread.join(20)
            assert not thread.is_alive(), "the server did not end within 20 s"
