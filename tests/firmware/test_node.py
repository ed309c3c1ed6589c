"""The whole node on real parts: 1-Wire tree, gpiozero's mock pins, SQLite, Mosquitto; an ear sends receipts."""

from __future__ import annotations

import shutil
import sqlite3
import statistics
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import given
from hypothesis import strategies as st
from node_kit import Receiver, Running, SpeedyClock, Tree, orders_for

from firmware.errors import StuckError
from firmware.node import most_bytes, next_tick_ms
from firmware.settings import Basin, Broker, Settings
from firmware.watch import Pulse
from soak import wire
from soak.quantity import utc_ms
from soak.reading import Fault, Lid, Reading, Why

pytestmark = pytest.mark.broker

A, B, C = "28-00000000000a", "28-00000000000b", "28-00000000000c"
BOOT_1, BOOT_2 = "9f6c0000-0000-4000-8000-000000000001", "9f6c0000-0000-4000-8000-000000000002"
LID, BUTTON, LID_2 = 17, 27, 22
Wait = Callable[..., None]


@pytest.fixture
def run(
    tmp_path: Path, tree: Tree, pins: MockFactory, broker_port: int, request: pytest.FixtureRequest
) -> Iterator[Callable[..., Running]]:
    """`run(clock, on_ready=…)`: a node named after the test, with two basins, on the same data each time."""
    tree.set(A, 336)
    tree.set(B, 320)
    tree.set(C, 400)
    made: list[Running] = []

    def start(clock: SpeedyClock, *, port: int = broker_port, on_ready: Callable[[], None] | None = None) -> Running:
        basins = (
            Basin(name="b1", sensors=(A, B), lid_pin=LID, button_pin=BUTTON),
            Basin(name="b2", sensors=(C,), lid_pin=LID_2),
        )
        settings = Settings(
            node=node_name(request),
            broker=Broker(host="127.0.0.1", port=port),
            basins=basins,
            data_dir=str(tmp_path / "data"),
            w1_devices=str(tree.folder),
        )
        made.append(Running(settings, clock, on_ready))
        return made[-1]

    yield start
    for one in made:
        one.stop()


def node_name(request: pytest.FixtureRequest) -> str:
    return f"n{abs(hash(request.node.name)) % 10**9}"


@pytest.fixture
def ear(broker_port: int, receiver: Callable[..., Receiver], request: pytest.FixtureRequest) -> Receiver:
    return receiver(broker_port, node_name(request))


def stored(running: Running) -> int:
    """Readings on disk."""
    outbox = running.node._outbox if running.node._uplink else None
    return sum(each.newest for each in outbox.streams()) - outbox.waiting if outbox else 0


def of(ear: Receiver, basin: str) -> list[Reading]:
    """Everything that arrived of a basin, oldest first."""
    streams = dict.fromkeys(batch.stream for batch in ear.batches if batch.basin == basin)
    return [reading for stream in streams for _, reading in sorted(ear.readings[stream].items())]


def test_two_basins_from_sensor_to_receipt(
    run: Callable[..., Running], ear: Receiver, pins: MockFactory, wait_until: Wait
) -> None:
    clock = SpeedyClock(BOOT_1)
    running = run(clock)
    wait_until(lambda: len(of(ear, "b1")) >= 3 and of(ear, "b1")[-1].fault == {})
    pins.pin(LID).drive_low()
    wait_until(lambda: of(ear, "b1")[-1].lid is Lid.CLOSED)
    wait_until(lambda: len([one for one in of(ear, "b1") if one.lid is Lid.CLOSED]) > 6)
    pins.pin(LID).drive_high()
    wait_until(lambda: of(ear, "b1")[-1].lid is Lid.OPEN)
    running.stop()
    assert running.failure is None
    first = of(ear, "b1")
    assert first[0].why is Why.START
    assert [one.lid for one in first if one.why is Why.LID] == [Lid.CLOSED, Lid.OPEN]
    known = [one for one in first if not one.fault]
    assert len(known) > 5
    assert {tuple(one.mc.items()) for one in known} == {((A, 21_000), (B, 20_000))}
    assert {one.lid for one in of(ear, "b2")} == {Lid.OPEN}
    times = [one.ms for one in first]
    assert times == sorted(set(times))
    assert ear.dense()
    assert ear.contradictions == []
    assert {batch.boot for batch in ear.batches} == {BOOT_1}
    wait_until(lambda: ear.states[-1] == wire.State(up=False))


@given(st.integers(0, 10**9), st.integers(0, 10**6))
def test_ticks_keep_to_their_schedule_and_missed_ones_are_not_made_up_for(due_ms: int, late_ms: int) -> None:
    next_ms = next_tick_ms(due_ms, due_ms + late_ms)
    assert (next_ms - due_ms) % 1000 == 0
    assert due_ms + late_ms < next_ms <= due_ms + late_ms + 1000


def test_bounce_and_button_arrive_as_one_movement_and_one_press(
    run: Callable[..., Running], ear: Receiver, pins: MockFactory, wait_until: Wait
) -> None:
    running = run(SpeedyClock(BOOT_1, speed=5))
    wait_until(lambda: of(ear, "b1"))
    for _ in range(4):
        pins.pin(LID).drive_low()
        pins.pin(LID).drive_high()
    pins.pin(LID).drive_low()
    for _ in range(3):
        pins.pin(BUTTON).drive_low()
        pins.pin(BUTTON).drive_high()
    wait_until(lambda: of(ear, "b1")[-1].lid is Lid.CLOSED)
    wait_until(lambda: any(one.why is Why.BUTTON for one in of(ear, "b1")))
    running.stop()
    assert [one.lid for one in of(ear, "b1") if one.why is Why.LID] == [Lid.CLOSED]
    assert len([one for one in of(ear, "b1") if one.why is Why.BUTTON]) == 1


def test_a_lid_that_is_closed_before_the_start_is_closed_from_the_first_reading(
    run: Callable[..., Running], ear: Receiver, pins: MockFactory, wait_until: Wait
) -> None:
    """The pins exist when `on_ready` is called, and nothing has been read from them."""
    run(SpeedyClock(BOOT_1), on_ready=lambda: pins.pin(LID).drive_low())
    wait_until(lambda: len(of(ear, "b1")) > 3)
    assert of(ear, "b1")[0].why is Why.START
    assert {one.lid for one in of(ear, "b1")} == {Lid.CLOSED}
    assert Why.LID not in {one.why for one in of(ear, "b1")}
    assert {one.lid for one in of(ear, "b2")} == {Lid.OPEN}


def test_a_step_of_the_wall_clock_is_a_reading_of_its_own(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait
) -> None:
    clock = SpeedyClock(BOOT_1)
    run(clock)
    wait_until(lambda: len(of(ear, "b1")) > 3)
    clock.step_ms += 40
    wait_until(lambda: len(of(ear, "b1")) > 8)
    clock.step_ms -= 3_600_000
    wait_until(lambda: any(one.why is Why.CLOCK for one in of(ear, "b1")))
    wait_until(lambda: any(one.why is Why.CLOCK for one in of(ear, "b2")))
    seen = len(of(ear, "b1"))
    wait_until(lambda: len(of(ear, "b1")) > seen + 3)
    assert len([one for one in of(ear, "b1") if one.why is Why.CLOCK]) == 1  # 40 ms are none, and a step is one
    times = [one.ms for one in of(ear, "b1")]
    assert times == sorted(times)  # durations do not know of it


def test_a_sensor_that_is_pulled_is_a_fault_in_readings_and_state_and_comes_back(
    run: Callable[..., Running], ear: Receiver, tree: Tree, wait_until: Wait
) -> None:
    run(SpeedyClock(BOOT_1))
    wait_until(lambda: of(ear, "b1") and of(ear, "b1")[-1].mc[A] == 21_000)
    tree.set(A, "")
    wait_until(lambda: of(ear, "b1")[-1].fault.get(A) == Fault("no-answer"))
    assert of(ear, "b1")[-1].mc == {A: None, B: 20_000}
    wait_until(lambda: wire.SensorSeen(A, "b1", "no-answer") in ear.states[-1].sensors)
    tree.set(A, 337)
    wait_until(lambda: of(ear, "b1")[-1].mc[A] == 21_062)
    wait_until(lambda: wire.SensorSeen(A, "b1") in ear.states[-1].sensors)


def test_after_a_reboot_what_was_never_received_goes_first_with_its_own_boot_and_clock(
    run: Callable[..., Running],
    ear: Receiver,
    pins: MockFactory,
    tmp_path: Path,
    wait_until: Wait,
    broker: Callable[[], object],
) -> None:
    """The first life never reaches a broker; the second sends the first one's readings before its own."""
    nobody = broker()
    nobody.stop()
    first = run(SpeedyClock(BOOT_1), port=nobody.port)
    wait_until(lambda: stored(first) >= 8)
    first.stop()
    assert ear.count() == 0
    pins.reset()
    second = run(SpeedyClock(BOOT_2))
    wait_until(lambda: {batch.boot for batch in ear.batches} == {BOOT_1, BOOT_2})
    wait_until(lambda: ear.states[-1].outbox < 6 and len(ear.states[-1].streams) == 2, seconds=30)
    second.stop()
    assert ear.batches[0].boot == BOOT_1
    assert ear.dense()
    assert ear.contradictions == []
    for batch in ear.batches:
        assert batch.readings[-1].ms <= batch.clock.ms
    streams = {(batch.boot, batch.basin): batch.stream for batch in ear.batches}
    assert len(set(streams.values())) == 4


def test_orders_reach_the_node(run: Callable[..., Running], ear: Receiver, wait_until: Wait) -> None:
    running = run(SpeedyClock(BOOT_1))
    assert running.node.orders is None
    orders = wire.Orders(3, "e1", {"b1": wire.BasinOrders(None, {}, 60)})
    ear.publish(wire.Topic.ORDERS, wire.encode(orders))
    wait_until(lambda: running.node.orders is not None)
    assert running.node.orders.orders == orders


def test_when_readings_cannot_be_kept_any_more_the_node_stops_and_says_why(
    run: Callable[..., Running], ear: Receiver, tmp_path: Path, wait_until: Wait
) -> None:
    running = run(SpeedyClock(BOOT_1))
    wait_until(lambda: of(ear, "b1"))

    def worn() -> bool:
        raise ValueError("card is worn")

    running.node._outbox._commit = worn  # type: ignore[method-assign]
    wait_until(lambda: running.failure)
    assert type(running.failure).__name__ == "OutboxError"
    assert "readings cannot be written (card is worn)." in str(running.failure)
    wait_until(lambda: ear.states[-1] == wire.State(up=False))


def test_a_disk_that_takes_nothing_for_a_while_is_said_and_stops_no_sampling(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait
) -> None:
    running = run(SpeedyClock(BOOT_1, speed=10))
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": (A, B), "b2": (C,)}))
    wait_until(lambda: of(ear, "b1"))
    outbox, commit = running.node._outbox, running.node._outbox._commit

    def full() -> bool:
        raise sqlite3.OperationalError("database or disk is full")

    outbox._commit = full  # type: ignore[method-assign]
    wait_until(lambda: outbox.waiting > 20)
    running.node._uplink.wake()  # as it does by itself every ten seconds
    wait_until(lambda: any("disk is full" in trouble for trouble in ear.states[-1].troubles))
    outbox._commit = commit  # type: ignore[method-assign]
    wait_until(lambda: ear.states[-1].troubles == [])
    running.stop()
    assert running.failure is None
    assert ear.dense()
    assert steady(ear)


def test_at_sixty_times_the_speed_no_second_is_missed_for_long(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait
) -> None:
    running = run(SpeedyClock(BOOT_1, speed=60))
    wait_until(lambda: len(of(ear, "b1")) > 120, seconds=30)
    running.stop()
    assert ear.dense()
    known = [one for one in of(ear, "b1") if not one.fault]
    assert len(known) > 60


def steady(ear: Receiver) -> bool:
    """The ticks follow on, about a second apart: a busy machine may take one late, a stepped clock would show."""
    ticks = [one.ms for one in of(ear, "b1") if one.why in (Why.TICK, Why.CLOCK)]
    apart_ms = [later - earlier for earlier, later in pairwise(ticks)]
    return min(apart_ms) > 0 and max(apart_ms) < 4_000 and abs(statistics.median(apart_ms) - 1_000) < 200


@pytest.mark.parametrize("step_ms", [3_600_000, -3_600_000, 86_400_000, -86_400_000, 1_000, -1_000])
def test_no_step_of_the_wall_clock_changes_a_duration(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait, step_ms: int
) -> None:
    """An hour, a day, a leap second, either way."""
    clock = SpeedyClock(BOOT_1, speed=4)
    run(clock)
    wait_until(lambda: len(of(ear, "b1")) > 5)
    clock.step_ms += step_ms
    wait_until(lambda: any(one.why is Why.CLOCK for one in of(ear, "b1")))
    seen = len(of(ear, "b1"))
    wait_until(lambda: len(of(ear, "b1")) > seen + 5)
    assert steady(ear)
    assert len({batch.stream for batch in ear.batches if batch.basin == "b1"}) == 1


def test_a_pi_that_boots_in_1970_says_at_once_when_its_clock_is_right(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait
) -> None:
    clock = SpeedyClock(BOOT_1, speed=4)
    clock.step_ms, clock.in_step = -1_700_000_000_000, False
    run(clock)
    wait_until(lambda: len(of(ear, "b1")) > 5 and ear.states)
    assert {batch.clock.synced for batch in ear.batches} == {ear.states[-1].clock.synced} == {False}
    assert ear.batches[-1].clock.utc.startswith("1970-01-01")
    states = len(ear.states)
    clock.step_ms, clock.in_step = 0, True
    wait_until(lambda: any(state.clock.synced for state in ear.states[states:]))
    wait_until(lambda: ear.batches[-1].clock.synced)
    assert ear.batches[-1].clock.utc.startswith("2023-11-14")
    wait_until(lambda: any(one.why is Why.CLOCK for one in of(ear, "b1")))
    offsets = {utc_ms(state.clock.utc) - state.clock.ms for state in ear.states if state.clock and state.clock.synced}
    assert max(offsets) - min(offsets) < 1_000  # with it the readings before are dated, in the same boot
    assert steady(ear)


def test_edges_that_come_no_more_are_noticed_mended_or_polled_for_and_said(
    run: Callable[..., Running], ear: Receiver, pins: MockFactory, wait_until: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library's thread that reports edges is dead, while levels are still read."""
    running = run(SpeedyClock(BOOT_1, speed=10))
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": (A, B), "b2": (C,)}))
    wait_until(lambda: of(ear, "b1"))
    monkeypatch.setattr(MockPWMPin, "_call_when_changed", lambda *_: None)

    def move(closed: bool) -> None:
        (pins.pin(LID).drive_low if closed else pins.pin(LID).drive_high)()
        lid = Lid.CLOSED if closed else Lid.OPEN
        wait_until(lambda: of(ear, "b1")[-1].lid is lid)

    reopened: list[bool] = []
    reopen = running.node._board.reopen
    monkeypatch.setattr(running.node._board, "reopen", lambda: (reopened.append(True), reopen()))
    for closed in (True, False, True, False, True, False, True):
        if running.node._polling:
            break
        move(closed)
        seen = len(of(ear, "b1"))
        wait_until(lambda seen=seen: len(of(ear, "b1")) > seen + 2)
    assert reopened == [True]
    wait_until(lambda: running.node._polling)
    wait_until(lambda: ear.states[-1].troubles == ["the lid of basin b1 reports no edges; it is polled"])
    seen = len(of(ear, "b1"))
    pins.pin(LID).drive_high()
    wait_until(lambda: of(ear, "b1")[-1].lid is Lid.OPEN)
    pins.pin(LID).drive_low()
    wait_until(lambda: of(ear, "b1")[-1].lid is Lid.CLOSED)
    monkeypatch.undo()  # edges come again; the first only tells gpiozero what it has missed
    for move_once in (pins.pin(LID).drive_high, pins.pin(LID).drive_low, pins.pin(LID).drive_high):
        move_once()
    wait_until(lambda: ear.states[-1].troubles == [])
    wait_until(lambda: not running.node._polling)
    assert running.failure is None


def test_while_a_lid_is_polled_its_movements_do_not_wait_for_the_next_tick(
    run: Callable[..., Running], ear: Receiver, pins: MockFactory, wait_until: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A movement first seen at a tick has that tick's time, and the next reading is a whole second later."""
    monkeypatch.setattr("firmware.node._LOOK_S", 0.01)
    running = run(SpeedyClock(BOOT_1, speed=5))
    wait_until(lambda: of(ear, "b1"))
    monkeypatch.setattr(MockPWMPin, "_call_when_changed", lambda *_: None)
    running.node._edge_watch._missed["b1"] = 9
    running.node._reopened = True  # as after it did not help
    wait_until(lambda: running.node._polling)
    for move in (pins.pin(LID).drive_low, pins.pin(LID).drive_high) * 3:
        moved = len([one for one in of(ear, "b1") if one.why is Why.LID])
        move()
        wait_until(lambda moved=moved: len([one for one in of(ear, "b1") if one.why is Why.LID]) > moved)
    wait_until(lambda: of(ear, "b1")[-1].why is Why.TICK)
    pauses = [later.ms - one.ms for one, later in pairwise(of(ear, "b1")) if one.why is Why.LID]
    assert min(pauses) < 900


def test_a_part_that_cannot_be_mended_ends_the_node_in_order_and_says_which(
    run: Callable[..., Running], ear: Receiver, wait_until: Wait
) -> None:
    running = run(SpeedyClock(BOOT_1))
    wait_until(lambda: of(ear, "b1"))
    dead = Pulse("the test's part", 0.01)
    running.node._watch.add(dead)
    wait_until(lambda: running.failure)
    assert isinstance(running.failure, StuckError)
    assert str(running.failure).startswith("the test's part has not moved for ")
    wait_until(lambda: ear.states[-1] == wire.State(up=False))


def test_the_disks_share_bounds_the_outbox(tmp_path: Path) -> None:
    basin = Basin(name="b1", sensors=(A,), lid_pin=LID)
    folder = tmp_path / "not" / "yet"
    settings = Settings(node="n", broker=Broker(host="h"), basins=(basin,), data_dir=str(folder), outbox_share=0.1)
    assert most_bytes(settings) == int(shutil.disk_usage(tmp_path).total * 0.1)
