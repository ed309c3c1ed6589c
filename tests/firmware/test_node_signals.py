"""The whole node at its basins: mock pins in, mock pins out, with a broker, without one, and over a restart."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory
from node_kit import Receiver, Running, SpeedyClock, Tree, orders_for

from firmware.basinside import AtBasin
from firmware.kept_orders import FILE_NAME
from firmware.settings import Basin, Broker, Light, Settings
from soak import wire
from soak.alarms import Priority
from soak.reading import Lid, Reading, Why

pytestmark = pytest.mark.broker

A, B = "28-00000000000a", "28-00000000000b"
BOOTS = [f"9f6c0000-0000-4000-8000-00000000000{n}" for n in range(3)]
LID, BUTTON, LID_2, BUZZER = 17, 27, 22, 18
LIGHT, LIGHT_2 = (5, 6, 13), (19, 20, 21)
DARK, RED, YELLOW, CYAN, BLUE, WHITE, VIOLET = (
    (0, 0, 0),
    (1, 0, 0),
    (1, 1, 0),
    (0, 1, 1),
    (0, 0, 1),
    (1, 1, 1),
    (1, 0, 1),
)
BY = wire.Sender("e1", "run-1", "2026-03-02T09:14:07.250Z", "2026-03-02T09:14:07.250Z")
Wait = Callable[..., None]


def settings(name: str, port: int, folder: Path, tree: Tree, *, lights: bool = True) -> Settings:
    of_b1, of_b2 = (Light(*LIGHT), Light(*LIGHT_2)) if lights else (None, None)
    return Settings(
        node=name,
        broker=Broker(host="127.0.0.1", port=port),
        basins=(
            Basin(name="b1", sensors=(A,), lid_pin=LID, button_pin=BUTTON, light=of_b1),
            Basin(name="b2", sensors=(B,), lid_pin=LID_2, light=of_b2),
        ),
        data_dir=str(folder / "data"),
        w1_devices=str(tree.folder),
        buzzer_pin=BUZZER if lights else None,
    )


class AtBasins:
    """A node with its lights and switches in reach."""

    def __init__(self, pins: MockFactory, start: Callable[..., Running], name: str) -> None:
        self._pins, self._start, self.name = pins, start, name
        self.running: Running

    def start(self, *, boot: int = 0, speed: int = 10, **options: object) -> SpeedyClock:
        clock = SpeedyClock(BOOTS[boot], speed)
        self.running = self._start(clock, **options)
        return clock

    def shows(self, light: tuple[int, ...] = LIGHT) -> tuple[int, ...]:
        return tuple(round(self._pins.pin(pin).state) for pin in light)

    def sounds(self) -> bool:
        return bool(self._pins.pin(BUZZER).state)

    def pulses(self) -> int:
        """How often the buzzer was turned on."""
        states = [bool(each.state) for each in self._pins.pin(BUZZER).states]
        return sum(now and not before for before, now in pairwise(states))

    def close(self) -> None:
        self._pins.pin(LID).drive_low()

    def open(self) -> None:
        self._pins.pin(LID).drive_high()

    def press(self) -> None:
        """The button, and the lid's level at that moment."""
        self._pins.pin(BUTTON).drive_low()
        time.sleep(0.02)
        self._pins.pin(BUTTON).drive_high()

    @property
    def side(self) -> AtBasin:
        return self.running.node._sides._basins["b1"]


@pytest.fixture
def at_basins(
    tmp_path: Path, tree: Tree, pins: MockFactory, broker_port: int, request: pytest.FixtureRequest
) -> Iterator[AtBasins]:
    tree.set(A, 336)
    tree.set(B, 336)
    made: list[Running] = []
    name = f"s{abs(hash(request.node.name)) % 10**9}"

    def start(
        clock: SpeedyClock, port: int = broker_port, on_ready: Callable[[], None] | None = None, lights: bool = True
    ) -> Running:
        made.append(Running(settings(name, port, tmp_path, tree, lights=lights), clock, on_ready))
        return made[-1]

    yield AtBasins(pins, start, name)
    for one in made:
        one.stop()


@pytest.fixture
def ear(broker_port: int, receiver: Callable[..., Receiver], at_basins: AtBasins) -> Receiver:
    return receiver(broker_port, at_basins.name)


@pytest.fixture
def nobody(broker: Callable[..., object]) -> int:
    """A port where no broker is."""
    one = broker()
    one.stop()  # type: ignore[attr-defined]
    return int(one.port)  # type: ignore[attr-defined]


def order(ear: Receiver, **more: object) -> None:
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": (A,), "b2": (B,)}, **more))  # type: ignore[arg-type]


def test_from_load_to_met_and_opened_early_on_lights_and_buzzer(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    at_basins.start()
    wait_until(lambda: at_basins.shows() == VIOLET)  # no orders yet
    order(ear, contact_ms=20_000, load=wire.LoadOrders("load-1", 1))
    wait_until(lambda: at_basins.shows() == WHITE)
    at_basins.close()
    wait_until(lambda: at_basins.shows() == BLUE)
    wait_until(lambda: "soaking" in {state.basins[0].shows for state in ear.states if state.basins})
    wait_until(lambda: at_basins.side._firm)
    at_basins.open()
    wait_until(lambda: at_basins.shows() == RED and at_basins.sounds())
    assert at_basins.shows(LIGHT_2) == WHITE
    wait_until(lambda: ear.states[-1].basins[0].alarm == "opened-early")
    assert ear.states[-1].basins[0].seen_ms is None
    at_basins.press()
    wait_until(lambda: at_basins.shows() == WHITE and not at_basins.sounds())
    wait_until(lambda: ear.states[-1].basins[0].seen_ms is not None)
    assert ear.states[-1].basins[0].alarm == "opened-early"
    at_basins.close()
    wait_until(lambda: at_basins.side.shown().in_words() == "met here, awaiting record")
    wait_until(lambda: at_basins.shows() == BLUE)
    at_basins.open()
    wait_until(lambda: at_basins.shows() == DARK)
    wait_until(lambda: not ear.states[-1].basins[0].load)
    assert ear.states[-1].basins[1].load
    assert ear.states[-1].basins[0].moved_ms is not None
    assert ear.states[-1].basins[1].moved_ms is None  # not seen to move
    at_basins.running.stop()
    assert at_basins.running.failure is None
    assert at_basins.shows() == DARK
    assert not at_basins.sounds()


def test_the_edge_reaches_the_pins_without_waiting_for_the_next_tick(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    """Seen in the pins' own records: red was set before the next tick's reading was taken."""
    at_basins.start(speed=1)  # a tick is a second
    order(ear)
    wait_until(lambda: at_basins.side.trouble == "")
    at_basins.press()
    at_basins.close()
    wait_until(lambda: at_basins.side.shown().in_words() == "soaking")
    wait_until(lambda: at_basins.side._firm)
    taken: list[tuple[Why, tuple[int, ...]]] = []
    take = at_basins.side.take

    def noting(reading: object) -> None:
        taken.append((reading.why, at_basins.shows()))  # type: ignore[attr-defined]
        take(reading)  # type: ignore[arg-type]

    at_basins.side.take = noting  # type: ignore[method-assign, assignment]
    wait_until(lambda: taken)  # just after a tick
    at_basins.open()
    wait_until(lambda: at_basins.shows() == RED)
    assert [why for why, _ in taken if why is Why.LID] == [Why.LID]
    ticks_before_red = [why for why, shown in taken[1:] if why is Why.TICK and shown != RED]
    assert ticks_before_red == []


def test_a_movement_goes_to_the_disk_at_once_and_a_flicker_does_not(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    at_basins.start()
    wait_until(lambda: ear.count() > 2)
    outbox, urgent = at_basins.running.node._outbox, list[list[Why]]()
    append = outbox.append

    def noting(readings: list[tuple[str, Reading]], **how: bool) -> None:
        if how.get("urgent"):
            urgent.append([reading.why for _, reading in readings])
        append(readings, **how)

    outbox.append = noting  # type: ignore[method-assign, assignment]
    at_basins.close()
    wait_until(lambda: len(urgent) == 1)
    assert Why.LID in urgent[0]
    wait_until(lambda: at_basins.side._firm)
    for _ in range(3):
        at_basins.open()
        at_basins.close()
    at_basins.open()
    wait_until(lambda: len(urgent) == 2)
    count = ear.count()
    wait_until(lambda: ear.count() > count + 8)
    assert len(urgent) == 2


def test_without_broker_and_after_a_restart_kept_orders_judge(
    at_basins: AtBasins, ear: Receiver, nobody: int, pins: MockFactory, wait_until: Wait, tmp_path: Path
) -> None:
    at_basins.start()
    order(ear, contact_ms=20_000)
    wait_until((tmp_path / "data" / FILE_NAME).exists)
    at_basins.running.stop()
    pins.reset()
    at_basins.start(boot=1, port=nobody)
    assert at_basins.running.failure is None
    wait_until(lambda: at_basins.shows() == DARK and at_basins.side.trouble == "")
    at_basins.press()
    at_basins.close()
    wait_until(lambda: at_basins.side.shown().in_words() == "soaking")
    wait_until(lambda: at_basins.side._firm)
    at_basins.open()
    wait_until(lambda: at_basins.shows() == RED and at_basins.sounds())
    at_basins.close()
    wait_until(lambda: at_basins.side.shown().in_words() == "met here, awaiting record")


def test_kept_orders_of_a_machine_without_a_clock_are_used_and_that_is_said(
    at_basins: AtBasins, ear: Receiver, pins: MockFactory, wait_until: Wait, tmp_path: Path
) -> None:
    at_basins.start()
    order(ear)
    wait_until((tmp_path / "data" / FILE_NAME).exists)
    ear.publish(wire.Topic.ORDERS, b"")  # what the broker retains is withdrawn
    at_basins.running.stop()
    pins.reset()
    clock = SpeedyClock(BOOTS[1], 10)
    clock.step_ms, clock.in_step = -1_700_000_000_000, False
    at_basins.running = at_basins._start(clock)
    wait_until(lambda: ear.states and ear.states[-1].boot == BOOTS[1])
    wait_until(lambda: any("only estimated" in each for each in ear.states[-1].troubles))
    clock.step_ms, clock.in_step = 0, True
    wait_until(lambda: ear.states[-1].troubles == [])


def test_a_damaged_file_of_orders_stops_nothing_and_is_said(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait, tmp_path: Path
) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / FILE_NAME).write_text(json.dumps({"orders": "mine"}))
    at_basins.start()
    wait_until(lambda: ear.states and ear.states[-1].up and ear.states[-1].troubles)
    assert "the orders kept on disk cannot be used (it is damaged); new ones are waited for" in ear.states[-1].troubles
    assert "the orders for basin b1 never came: its soaks are not judged here" in ear.states[-1].troubles
    order(ear)
    wait_until(lambda: ear.states[-1].troubles == [])


def test_orders_that_the_broker_repeats_are_no_younger_for_that(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    at_basins.start()
    order(ear, sender=BY)
    wait_until(lambda: at_basins.running.node.orders is not None)
    received_ms = at_basins.running.node.orders.received_ms  # type: ignore[union-attr]
    connected = len(ear.states)
    at_basins.running.node._uplink._link.renew("the test asks for it")  # type: ignore[union-attr]
    wait_until(lambda: len(ear.states) > connected + 1)
    wait_until(lambda: len(ear.readings) and ear.states[-1].outbox < 10)
    assert at_basins.running.node.orders.received_ms == received_ms  # type: ignore[union-attr]


def test_a_collector_that_is_silent_is_low_once_and_hides_no_soak(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_basins.start()
    order(ear)
    wait_until(lambda: at_basins.side.trouble == "" and at_basins.shows() == DARK)
    monkeypatch.setattr("firmware.node.MOST_SILENT_MS", 300)
    ear.answers = False
    wait_until(lambda: at_basins.shows() == CYAN and at_basins.shows(LIGHT_2) == CYAN)
    wait_until(lambda: at_basins.pulses() == 1)
    at_basins.press()
    at_basins.close()
    wait_until(lambda: at_basins.shows() == BLUE)
    assert at_basins.pulses() == 1
    assert ear.states[-1].basins[0].alarm == "no-collector"
    ear.answers = True
    ear.receipt()
    wait_until(lambda: at_basins.shows(LIGHT_2) == DARK)


def test_ordered_alarms_sound_and_stop_by_themselves(at_basins: AtBasins, ear: Receiver, wait_until: Wait) -> None:
    at_basins.start()
    order(ear, alarms=[wire.AlarmOrders("over-immersed", Priority.MEDIUM, good_for_s=20)])
    wait_until(lambda: at_basins.shows() == YELLOW and at_basins.sounds())
    wait_until(lambda: at_basins.shows(LIGHT_2) == YELLOW)
    wait_until(lambda: at_basins.shows() == DARK and at_basins.shows(LIGHT_2) == DARK and not at_basins.side.sounding())
    wait_until(lambda: not at_basins.sounds())


def test_a_switch_that_chatters_at_50_hz_is_one_opening_and_one_alarm_and_the_node_keeps_its_tick(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    at_basins.start(speed=1)
    order(ear)
    wait_until(lambda: at_basins.side.trouble == "")
    at_basins.press()
    at_basins.close()
    wait_until(lambda: at_basins.side._firm)
    states, stop = len(ear.states), threading.Event()
    bounces = 0

    def chatter() -> None:
        nonlocal bounces
        while not stop.wait(0.01):
            at_basins.open()
            stop.wait(0.01)
            at_basins.close()
            bounces += 1
        at_basins.open()

    thread = threading.Thread(target=chatter)
    thread.start()
    stream = next(batch.stream for batch in ear.batches if batch.basin == "b1")
    wait_until(at_basins.sounds)
    since_ms = at_basins.side.side().since_ms

    def later() -> list[tuple[Why, Lid]]:
        return [(one.why, one.lid) for _, one in sorted(ear.readings[stream].items()) if one.ms >= (since_ms or 0)]

    wait_until(lambda: [why for why, _ in later()].count(Why.TICK) >= 3)
    assert at_basins.side.side().since_ms == since_ms
    stop.set()
    thread.join()
    held_up = bounces // 8  # a busy machine may hold the hand still for long enough that the lid is on
    openings = [lid for why, lid in later() if why is Why.LID and lid is Lid.OPEN]
    assert 1 <= len(openings) <= 1 + held_up
    assert {lid for why, lid in later() if why is Why.TICK} <= {Lid.OPEN, Lid.CLOSED}
    alarms = [state.basins[0].since_ms for state in ear.states[states:] if state.basins[0].alarm == "opened-early"]
    assert set(alarms) == {since_ms}
    assert len(ear.states) - states < 10


def test_a_node_without_lights_and_buzzer_only_has_fewer_outputs(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait
) -> None:
    at_basins.start(lights=False)
    order(ear)
    wait_until(lambda: at_basins.side.trouble == "")
    at_basins.press()
    at_basins.close()
    wait_until(lambda: at_basins.side._firm)
    at_basins.open()
    wait_until(lambda: ear.states[-1].basins[0].alarm == "opened-early")
    at_basins.running.stop()
    assert at_basins.running.failure is None


def test_signals_that_fail_stop_no_reading_and_are_said(
    at_basins: AtBasins, ear: Receiver, wait_until: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_basins.start()
    order(ear)
    wait_until(lambda: ear.states and ear.states[-1].troubles == [])
    monkeypatch.setattr(AtBasin, "look", lambda *_, **__: 1 / 0)
    count = ear.count()
    wait_until(lambda: ear.count() > count + 20)
    at_basins.running.node._uplink.wake()  # type: ignore[union-attr]
    wait_until(lambda: ear.states[-1].troubles == ["signals at the basins fail: division by zero"])
    monkeypatch.undo()
    wait_until(lambda: ear.states[-1].troubles == [])
    assert ear.dense()
