"""The watch: systemd hears that all is well only while every thread that matters moves; a dead connection is mended."""

from __future__ import annotations

import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from kit import WallClock, batch, reading, stream_id
from running import CollectorProcess, NodeSide

from collector import link as link_module
from collector import watch as watch_module
from collector.conditions import Conditions
from collector.intake import Arrived
from collector.lanes import FRESH_BYTES, MOST_FRESH_BYTES, MOST_MESSAGES, MOST_PAST_BYTES, Lanes
from collector.link import Link
from collector.rivals import Rivals
from collector.settings import BrokerSettings
from collector.silence import GROWING_S, Outboxes, Silence
from collector.status import read
from collector.watch import Pulse, Watch
from host.notify import notify, watchdog_every_s
from soak.wire import Topic, encode

A = stream_id(1)


class Systemd:
    """The other end of NOTIFY_SOCKET."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address.replace("@", "\0", 1))
        self._socket.settimeout(0.05)
        self.heard: list[str] = []

    def listen(self) -> list[str]:
        """Everything heard so far."""
        try:
            while True:
                self.heard += self._socket.recv(4_096).decode().splitlines()
        except TimeoutError:
            return self.heard

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["file", "abstract"])
def systemd(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Systemd]:
    address = (
        str(tmp_path / "notify") if request.param == "file" else f"@soakledger-test-{tmp_path.name}-{time.time_ns()}"
    )
    one = Systemd(address)
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    yield one
    one.close()


def test_systemd_hears_what_is_said(systemd: Systemd) -> None:
    assert notify("READY=1", "STATUS=Taking readings in.")
    assert systemd.listen() == ["READY=1", "STATUS=Taking readings in."]


@pytest.mark.parametrize("address", ["", "relative", "/nowhere/at/all"])
def test_without_systemd_nobody_is_told(monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert not notify("READY=1")


@pytest.mark.parametrize(
    ("usec", "pid", "every_s"),
    [("60000000", "", 30.0), ("60000000", "1", None), ("", "", None), ("0", "", None), ("soon", "", None)],
)
def test_the_watchdog_is_fed_at_half_its_patience(
    monkeypatch: pytest.MonkeyPatch, usec: str, pid: str, every_s: float | None
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.setenv("WATCHDOG_PID", pid)
    assert watchdog_every_s() == every_s


class Watched:
    """A watch whose threads a test moves, or not."""

    def __init__(self, folder: Path) -> None:
        clock = WallClock()
        self.folder, self.conditions, self.pulse = folder, Conditions(clock), Pulse()
        self.linked = True
        rivals = Rivals("epoch", "run", clock())
        self.watch = Watch(folder, rivals, clock, self.conditions, pulse=self.pulse, linked=lambda: self.linked)


@pytest.fixture
def watched(tmp_path: Path, systemd: Systemd, monkeypatch: pytest.MonkeyPatch) -> Iterator[Watched]:
    monkeypatch.setenv("WATCHDOG_USEC", "40000")
    monkeypatch.setattr(watch_module, "BEAT_EVERY_S", 0.02)
    one = Watched(tmp_path)
    one.watch.start()
    yield one
    if one.watch._thread.is_alive():
        one.watch.stop()


def test_it_feeds_while_all_move_and_stops_when_one_does_not(
    watched: Watched, systemd: Systemd, wait_until: Callable[..., None]
) -> None:
    def fed(times: int) -> bool:
        watched.pulse.beat()
        return systemd.listen().count("WATCHDOG=1") >= times

    wait_until(lambda: fed(3))
    assert systemd.heard[0] == "READY=1"
    watched.linked = False  # the connection's thread has died
    systemd.listen()
    known = systemd.listen().count("WATCHDOG=1")
    for _ in range(5):
        assert not fed(known + 1)
    watched.linked = True
    wait_until(lambda: fed(known + 1))
    systemd.listen()  # from here on the intake stands still
    known = systemd.listen().count("WATCHDOG=1")
    for _ in range(5):
        assert systemd.listen().count("WATCHDOG=1") <= known + 1


def test_it_says_how_the_collector_is(watched: Watched, systemd: Systemd, wait_until: Callable[..., None]) -> None:
    watched.conditions.set("disk-full", detail="no room")

    def said() -> bool:
        watched.pulse.beat()
        return "STATUS=The disk is full (no room)." in systemd.listen()

    wait_until(said)
    seen = read(watched.folder)
    assert seen.status
    assert (seen.problem, [each.code for each in seen.status.conditions]) == ("", ["disk-full"])
    watched.watch.stop()
    assert "STOPPING=1" in systemd.listen()
    assert read(watched.folder).problem == "It was stopped."


def test_an_intake_that_stands_still_is_named(
    watched: Watched, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., None]
) -> None:
    monkeypatch.setattr(watch_module, "STUCK_S", 0.1)
    wait_until(lambda: [each.code for each in watched.conditions.standing()] == ["intake-stuck"])
    monkeypatch.setattr(watch_module, "STUCK_S", 30)
    watched.pulse.beat()
    wait_until(lambda: not watched.conditions.standing())


def test_a_watch_that_fails_goes_on(
    watched: Watched, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., None], caplog: pytest.LogCaptureFixture
) -> None:
    with monkeypatch.context() as broken:
        broken.setattr(watched.conditions, "standing", lambda: 1 / 0)
        wait_until(lambda: "the watch failed; it goes on" in caplog.text)
    watched.conditions.set("overloaded")
    wait_until(lambda: bool((seen := read(watched.folder).status) and seen.conditions))


# The process that holds the connection


@pytest.mark.broker
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP], ids=["dead", "hanging"])
def test_a_receiver_that_is_dead_or_hangs_is_replaced(
    how: signal.Signals, broker: Callable[[], Any], monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., None]
) -> None:
    """One that hangs still holds its connection: only its silence tells."""
    monkeypatch.setattr(link_module, "_MEND_EVERY_S", 0.0)
    monkeypatch.setattr(link_module, "_PATIENCE_S", 0.5)
    port = broker().port
    link, node = Link(BrokerSettings(port=port), "collector"), NodeSide(port)
    message = encode(batch([reading(1_000, "open")]))
    try:
        link.start()
        wait_until(lambda: not link.connections.empty() and link.connections.get())
        assert link.alive()
        assert not link.mend()
        process = link._process
        assert process is not None
        process.send_signal(how)
        with monkeypatch.context() as hurried:
            if how is signal.SIGSTOP:
                hurried.setattr(link_module, "SILENT_S", 2.5)
            wait_until(lambda: not link.alive())
            assert link.mend()
        assert process.poll() is not None
        wait_until(lambda: not link.connections.empty() and link.connections.get())
        node.publish(Topic.READINGS.of("n1"), message)
        wait_until(lambda: len(link.lanes.fresh) > 0)
        assert link.alive()
    finally:
        link.stop()
        node.close()


@pytest.mark.broker
def test_a_renamed_link_leaves_nothing_of_its_old_name(
    broker: Callable[[], Any], wait_until: Callable[..., None]
) -> None:
    """Else the broker would keep messages for a name that nobody will ever use again."""
    port = broker().port
    link = Link(BrokerSettings(port=port), "old")
    link.start()
    wait_until(lambda: not link.connections.empty() and link.connections.get())
    link.rename("new")
    wait_until(lambda: not link.connections.empty() and link.connections.get())
    link.stop()
    present: dict[str, bool] = {}
    for name in ("old", "new"):
        asking = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, name, clean_session=False)
        asking.on_connect = lambda _client, _data, flags, *_, name=name: present.update({name: flags.session_present})
        asking.connect("127.0.0.1", port)
        asking.loop_start()
        wait_until(lambda name=name: name in present)
        asking.disconnect()
        asking.loop_stop()
    assert present == {"old": False, "new": True}


@pytest.mark.broker
def test_a_real_collector_tells_systemd(
    tmp_path: Path,
    broker: Callable[[], Any],
    systemd: Systemd,
    monkeypatch: pytest.MonkeyPatch,
    wait_until: Callable[..., None],
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "1000000")
    collector = CollectorProcess(tmp_path / "collector", broker().port)
    try:
        collector.start()
        wait_until(lambda: systemd.listen().count("WATCHDOG=1") >= 2)
        assert systemd.heard[:1] == ["READY=1"]
        assert collector.end() == 0
        assert systemd.listen()[-1] == "STOPPING=1"
    finally:
        collector.close()


# Lanes


def _message(size: int, name: str = "n1") -> Arrived:
    return Arrived(Topic.READINGS.of(name), b"x" * size)


def test_a_flood_of_large_messages_is_bounded_in_bytes_and_leaves_the_fresh_lane_alone() -> None:
    """20,000 messages of 256 KiB are five gigabytes: what has no room is counted, and what is fresh goes first."""
    lanes, large = Lanes(), _message(256 * 1024)
    for _ in range(20_000):
        lanes.put(large)
    assert lanes.past.held_bytes <= MOST_PAST_BYTES
    assert lanes.dropped == 20_000 - len(lanes.past) > 19_000
    fresh = _message(FRESH_BYTES)
    lanes.put(fresh)
    taken = lanes.take(500, 400_000, 0)
    assert (taken[0], len(taken)) == (fresh, 3)


def test_no_lane_gives_more_than_one_commit_takes() -> None:
    """Also what is fresh: two thousand messages of eight kilobytes would keep everything waiting for a second."""
    lanes = Lanes()
    for size in (FRESH_BYTES, FRESH_BYTES + 1):
        for _ in range(2_000):
            lanes.put(_message(size))
    taken = lanes.take(2_000, 400_000, 0)
    assert sum(len(message.payload) for message in taken) < 2 * 400_000 + 2 * (FRESH_BYTES + 1)
    assert {len(message.payload) for message in taken} == {FRESH_BYTES, FRESH_BYTES + 1}


def test_the_fresh_lane_is_bounded_too() -> None:
    lanes = Lanes()
    for size in (10, FRESH_BYTES):
        for _ in range(MOST_MESSAGES + 100):
            lanes.put(_message(size))
        assert len(lanes.fresh) <= MOST_MESSAGES
        assert lanes.fresh.held_bytes <= MOST_FRESH_BYTES
    count = len(lanes.fresh)
    while lanes.take(500, 1, 0):
        pass
    assert (len(lanes.fresh), lanes.fresh.held_bytes) == (0, 0)
    assert lanes.dropped + count == 2 * (MOST_MESSAGES + 100)


def test_whoever_waits_is_woken_by_either_lane() -> None:
    for size in (10, FRESH_BYTES + 1):
        lanes = Lanes()
        putting = threading.Timer(0.01, lanes.put, [_message(size)])
        putting.start()
        assert len(lanes.take(500, 400_000, 10)) == 1
        putting.join()


# Silence


def test_a_basin_is_silent_by_the_age_of_its_newest_reading() -> None:
    silence = Silence(30, 0)
    assert silence.look({("n1", "b1"): 7, ("n1", "b2"): None}, 20) == ({}, {})
    judged = silence.look({("n1", "b1"): 8, ("n1", "b2"): None}, 31)  # a reading came; the other was never heard
    assert judged == ({}, {"n1/b2": "for more than 30 s"})
    assert silence.look({("n1", "b1"): 8, ("n1", "b2"): 1}, 50) == ({}, {})
    assert silence.look({("n1", "b1"): 8, ("n1", "b2"): 1}, 81) == ({"n1": "for more than 30 s"}, {})
    assert silence.look({("n1", "b1"): 9, ("n1", "b2"): 2}, 82) == ({}, {})


def test_while_nothing_can_come_in_nobody_is_silent() -> None:
    silence = Silence(30, 0)
    silence.look({("n1", "b1"): 7}, 10)
    silence.excuse(100)
    assert silence.look({("n1", "b1"): 7}, 129) == ({}, {})
    assert silence.look({("n1", "b1"): 7}, 131).nodes == {"n1": "for more than 30 s"}


def test_what_the_last_run_left_is_no_news() -> None:
    silence = Silence(30, 1_000)
    assert silence.look({("n1", "b1"): 7}, 1_025) == ({}, {})
    assert silence.look({("n1", "b1"): 7}, 1_031).nodes == {"n1": "for more than 30 s"}


def test_an_outbox_that_only_grows_is_named_and_one_that_is_emptied_is_not() -> None:
    outboxes = Outboxes()
    for second in range(int(GROWING_S)):
        assert outboxes.look({"n1": 3 * second, "n2": second % 10, "n3": 5_000 - second, "n4": 9_999}, second) == {}
    late_s = GROWING_S + 1
    assert outboxes.look({"n1": 400, "n2": 1, "n3": 10, "n4": 9_999}, late_s) == {"n1": "400 readings wait"}
    assert outboxes.look({"n1": 399, "n2": 1, "n3": 10, "n4": 9_999}, late_s + 1) == {}
