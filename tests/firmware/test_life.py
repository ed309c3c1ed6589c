"""What a node survives on a real Mosquitto: dead and stuck threads, failing callbacks, a second node of its name."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from node_kit import Receiver, SpeedyClock

from firmware.conversation import Connected, Disconnected
from firmware.link import Link
from firmware.outbox import Outbox
from firmware.retry import Retry
from firmware.settings import Basin, Broker, Settings
from firmware.uplink import Uplink
from firmware.watch import Watch
from firmware.window import Window
from soak import wire
from soak.reading import Lid, Reading, Why

pytestmark = pytest.mark.broker

A = "28-00000000000a"
BOOTS = ("9f6c0000-0000-4000-8000-000000000001", "9f6c0000-0000-4000-8000-000000000002")
Wait = Callable[..., None]


class Rig:
    """Outbox, uplink and watch; a reading whenever the test asks, retries in hundredths of a second."""

    def __init__(self, folder: Path, port: int, node: str, boot: str = BOOTS[0], past: int = 0) -> None:
        basin = Basin(name="b1", sensors=(A,), lid_pin=17)
        settings = Settings(node=node, broker=Broker(host="127.0.0.1", port=port), basins=(basin,))
        self.clock = SpeedyClock(boot, speed=1000)
        self.outbox = Outbox(folder, self.clock, pause_s=0)
        self.stream = self.outbox.begin("b1", (A,))
        self.uplink = Uplink(
            settings,
            self.clock,
            [self.outbox],
            lambda: [wire.SensorSeen(A, "b1")],
            window=Window(most=2_000, resend_ms=10_000) if past else Window(resend_ms=300),
            retry=Retry(unit=0.02),
        )
        self.link = self.uplink._link
        self.fed = 0
        self.failures: list[Exception] = []
        self.watch = Watch(self._feed, self.failures.append)
        self.uplink.watch(self.watch)
        self.ms = 0
        if past:
            self.read(past)
            self.outbox.write()
        self.outbox.start(self.uplink.wake)
        self.uplink.start()

    def _feed(self) -> None:
        self.fed += 1

    def read(self, count: int = 1) -> None:
        readings = []
        for _ in range(count):
            self.ms += 1
            readings.append(("b1", Reading(self.ms, Why.TICK, Lid.CLOSED, {A: 21_000})))
        self.outbox.append(readings)

    def held(self) -> int:
        return sum(self.outbox.held(each.stream).count() for each in self.outbox.streams())

    def close(self) -> None:
        self.watch.close()
        self.uplink.close()
        self.outbox.close()


@pytest.fixture
def rig(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Callable[..., Rig]]:
    made: list[Rig] = []

    def make(port: int, node: str, **options: object) -> Rig:
        made.append(Rig(tmp_path / f"data-{len(made)}", port, node, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def all_arrives(one: Rig, ear: Receiver, wait_until: Wait) -> None:
    """What is read from now on, and everything before it, arrives and is let go of."""
    one.read(5)
    wait_until(lambda: one.held() == 0 and len(ear.readings.get(one.stream, ())) == one.ms)
    assert ear.dense()
    assert ear.contradictions == []
    assert one.failures == []


Talking = Callable[[str], tuple[Rig, Receiver]]


@pytest.fixture
def talking(broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait) -> Talking:
    """A node of this name and who listens to it, once readings pass between them."""

    def begun(node: str) -> tuple[Rig, Receiver]:
        ear = receiver(broker_port, node)
        one = rig(broker_port, node)
        all_arrives(one, ear, wait_until)
        return one, ear

    return begun


@pytest.mark.parametrize("error", [SystemExit, ValueError, KeyboardInterrupt])
def test_an_exception_in_a_callback_ends_neither_the_thread_nor_the_node(
    talking: Talking,
    wait_until: Wait,
    caplog: pytest.LogCaptureFixture,
    error: type[BaseException],
) -> None:
    """In paho's own thread each of these would end it, while the client goes on to say that it is connected."""
    node = f"life-{error.__name__.lower()}"
    one, ear = talking(node)
    client, raised = one.link._line.client, threading.Event()

    def raises(*_: object) -> None:
        raised.set()
        raise error("as a test")

    client.on_publish = raises
    one.read(5)
    assert raised.wait(10)
    all_arrives(one, ear, wait_until)
    assert one.link._line.client is not client
    assert one.link._line.thread.is_alive()
    assert "link failed; it begins anew" in caplog.text


def test_a_thread_of_the_connection_that_died_is_replaced(talking: Talking, wait_until: Wait) -> None:
    one, ear = talking("life-dead")
    line = one.link._line
    line._ending.set()  # its thread goes, without a word to the broker or to us
    line.client.loop = lambda _s: 1  # type: ignore[method-assign]
    line._put_event = lambda _event: None
    one.read(1)
    line.thread.join(10)
    assert not line.thread.is_alive()
    one.read(5)
    wait_until(lambda: one.held() > 0)
    one.watch.look()
    all_arrives(one, ear, wait_until)
    one.watch.look()
    assert one.fed == 2


def test_a_thread_of_the_connection_that_is_stuck_is_replaced_and_has_no_say_any_more(
    talking: Talking, wait_until: Wait
) -> None:
    one, ear = talking("life-stuck")
    stuck, let_go = threading.Event(), threading.Event()
    line = one.link._line

    def sticks(*_: object) -> None:
        stuck.set()
        let_go.wait(30)

    line.client.on_publish = sticks
    one.read(5)
    assert stuck.wait(10)
    assert line.client.is_connected()
    one.link.pulse.limit_s = 0.05
    wait_until(lambda: one.link.pulse.ailment(0.05))
    one.watch.look()
    one.link.pulse.limit_s = 120
    all_arrives(one, ear, wait_until)
    let_go.set()
    line.thread.join(10)
    assert not line.thread.is_alive()
    all_arrives(one, ear, wait_until)


def test_a_socketpair_of_pahos_that_broke_stops_nothing(talking: Talking, wait_until: Wait) -> None:
    one, ear = talking("life-pair")
    one.link._line.client._sockpairR.close()  # type: ignore[union-attr]
    all_arrives(one, ear, wait_until)


def test_a_failure_in_the_uplink_is_told_and_it_goes_on(
    talking: Talking,
    wait_until: Wait,
    caplog: pytest.LogCaptureFixture,
) -> None:
    one, ear = talking("life-uplink")
    speak, spoken = one.uplink._conversation.speak, threading.Event()

    def fails(_now_ms: int) -> None:
        spoken.set()
        one.uplink._conversation.speak = speak  # type: ignore[method-assign]
        raise ZeroDivisionError("as a test")

    one.uplink._conversation.speak = fails  # type: ignore[method-assign]
    one.uplink.wake()
    assert spoken.wait(10)
    all_arrives(one, ear, wait_until)
    assert "uplink failed; it goes on with a new connection" in caplog.text


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_an_uplink_thread_that_died_is_replaced(talking: Talking, wait_until: Wait) -> None:
    one, ear = talking("life-dead-uplink")
    speak, thread = one.uplink._conversation.speak, one.uplink._thread

    def dies(_now_ms: int) -> None:
        one.uplink._conversation.speak = speak  # type: ignore[method-assign]
        raise SystemExit

    one.uplink._conversation.speak = dies  # type: ignore[method-assign]
    one.uplink.wake()
    thread.join(10)
    assert not thread.is_alive()
    one.read(5)
    one.watch.look()
    all_arrives(one, ear, wait_until)


def test_a_broker_that_takes_nothing_though_it_is_connected_is_connected_to_anew(
    talking: Talking,
    wait_until: Wait,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    one, ear = talking("life-deaf")
    monkeypatch.setattr("firmware.conversation.STALLED_MS", 300)
    line = one.link._line
    line.client.on_publish = lambda *_: None  # no word that the broker took anything
    line.client.on_message = lambda *_: None
    one.read(1)
    wait_until(lambda: (one.uplink.wake(), one.link._line is not line)[1])
    all_arrives(one, ear, wait_until)


def test_two_nodes_of_one_name_take_turns_and_both_deliver(
    broker_port: int,
    rig: Callable[..., Rig],
    receiver: Callable[..., Receiver],
    wait_until: Wait,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A copied card: the broker throws each out when the other comes, and lets it in again at once."""
    caplog.set_level(logging.WARNING)
    ear = receiver(broker_port, "life-twin")
    both = [rig(broker_port, "life-twin", boot=boot) for boot in BOOTS]

    def read_on() -> None:
        for one in both:
            if one.ms < 400:
                one.read(1)

    def thrown_out() -> bool:
        read_on()
        return all(one.link.rival for one in both)

    wait_until(thrown_out)
    for one in both:
        one.read(10)
    wait_until(lambda: all(one.held() == 0 for one in both), seconds=40)
    assert {stream: len(stored) for stream, stored in ear.readings.items()} == {one.stream: one.ms for one in both}
    assert ear.dense()
    assert ear.contradictions == []
    told = [record.getMessage() for record in caplog.records if "thrown out" in record.getMessage()]
    assert len(told) == 2
    assert told[0].startswith(
        "link thrown out 5 times in a row, each time soon after it was let in. Most likely another "
    )
    wait_until(lambda: any("its name used twice" in trouble for state in ear.states for trouble in state.troubles))


def test_a_password_that_vanished_while_it_ran_is_said_and_waited_for(
    broker: Callable[[], object], tmp_path: Path, wait_until: Wait
) -> None:
    mosquitto = broker()
    (tmp_path / "password").write_text("swordfish\n")
    login = Broker(host="127.0.0.1", port=mosquitto.port, username="n", password_file=str(tmp_path / "password"))
    events: queue.Queue[object] = queue.Queue()
    link = Link("n", login, events, retry=Retry(unit=0.02))
    link.start()
    assert events.get(timeout=10) == Connected()
    (tmp_path / "password").unlink()
    mosquitto.stop()
    mosquitto.start()
    said = ""
    while "the password cannot be read" not in said:
        event = events.get(timeout=10)
        said = event.reason if isinstance(event, Disconnected) else ""
    (tmp_path / "password").write_text("swordfish\n")
    while not isinstance(event, Connected):
        event = events.get(timeout=10)
    link.close()


def test_a_backlog_drains_without_resending_while_live_readings_overtake_it(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    """Five and a half hours without a network; then a reading is taken whenever something of the past has arrived."""
    past = 20_000
    ear = receiver(broker_port, "life-drain", answers=False)
    one = rig(broker_port, "life-drain", past=past)
    wait_until(lambda: ear.count() == 2_000)
    ear.answers = True
    ear.receipt()
    overtook = 0
    while ear.count() < past:
        one.read(1)
        newest = one.ms
        wait_until(lambda newest=newest: newest in ear.readings[one.stream])
        overtook += ear.count() < past
    wait_until(lambda: one.held() == 0)
    assert overtook > 3
    assert sum(len(batch.readings) for batch in ear.batches) == one.ms
    assert ear.dense()
