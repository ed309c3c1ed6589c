"""The pins through real gpiozero on its mock factory: levels, edges, lights; every failure named."""

from __future__ import annotations

import importlib.util
import os
import queue
import subprocess
import sys
import threading
import types

import pytest
from gpiozero.pins.mock import MockFactory

from firmware.board import Board, Edge, Switch
from firmware.errors import BoardError
from firmware.settings import Basin, Broker, Light, Settings


class StillClock:
    """Shows what the test sets."""

    boot_id = "9f6c0000-0000-4000-8000-000000000000"
    now_ms = 0

    def boot_ms(self) -> int:
        return self.now_ms

    def utc_ms(self) -> int:
        return self.now_ms

    def synced(self) -> bool:
        return True

    def real_s(self, ms: int) -> float:
        return ms / 1000


SETTINGS = Settings(
    node="room-3",
    broker=Broker(host="127.0.0.1"),
    basins=(
        Basin(name="b1", sensors=("28-00000000000a",), lid_pin=17, button_pin=27, light=Light(red=5, green=6, blue=13)),
        Basin(name="b2", sensors=("28-00000000000b",), lid_pin=22),
    ),
    buzzer_pin=18,
)


def drained(events: queue.Queue[Edge]) -> list[Edge]:
    return [events.get_nowait() for _ in range(events.qsize())]


def test_a_contact_closed_to_ground_is_a_closed_lid_and_an_open_wire_is_an_open_one(pins: MockFactory) -> None:
    board = Board(SETTINGS, StillClock(), queue.Queue())
    assert not board.closed("b1")
    pins.pin(17).drive_low()
    assert board.closed("b1")
    assert not board.closed("b2")
    pins.pin(17).drive_high()
    assert not board.closed("b1")
    board.close()


def test_every_raw_edge_arrives_with_its_own_time_bounce_included(pins: MockFactory) -> None:
    clock, events = StillClock(), queue.Queue[Edge]()
    board = Board(SETTINGS, clock, events)
    for ms, pin, low in [(100, 17, True), (101, 17, False), (103, 17, True), (500, 27, True), (600, 22, True)]:
        clock.now_ms = ms
        pins.pin(pin).drive_low() if low else pins.pin(pin).drive_high()
    assert drained(events) == [
        Edge("b1", Switch.LID, 100, True),
        Edge("b1", Switch.LID, 101, False),
        Edge("b1", Switch.LID, 103, True),
        Edge("b1", Switch.BUTTON, 500, True),
        Edge("b2", Switch.LID, 600, True),
    ]
    assert pins.pin(17).bounce is None  # the library's debouncing would drop edges
    board.close()


def test_light_and_buzzer_follow_and_a_basin_without_a_light_has_none_to_set(pins: MockFactory) -> None:
    board = Board(SETTINGS, StillClock(), queue.Queue())
    board.light("b1", 0, 1, 0.5)
    board.light("b2", 1, 1, 1)
    board.sound(on=True)
    board.sound(on=False)
    assert [pins.pin(pin).state for pin in (5, 6, 13)] == [0, 1, 0.5]
    assert [state.state for state in pins.pin(18).states] == [False, True, False]
    board.close()
    assert [pins.pin(pin).state for pin in (5, 6, 13)] == [0, 0, 0]


def test_after_close_the_pins_are_free_again(pins: MockFactory) -> None:
    for _ in range(2):
        Board(SETTINGS, StillClock(), queue.Queue()).close()


def test_a_pin_in_use_elsewhere_is_named_and_nothing_stays_taken(pins: MockFactory) -> None:
    other = Board(SETTINGS, StillClock(), queue.Queue())
    with pytest.raises(BoardError) as caught:
        Board(SETTINGS, StillClock(), queue.Queue())
    assert str(caught.value) == (
        "The pins cannot be used through 'mock': pin GPIO17 is already in use by "
        "<gpiozero.DigitalInputDevice object on pin GPIO17, pull_up=True, is_active=False>. "
        "Check that nothing else uses them and that this user is in the group gpio; "
        "on a Raspberry Pi install python3-lgpio."
    )
    assert caught.value.exit_code == 5
    other.close()
    Board(SETTINGS, StillClock(), queue.Queue()).close()


@pytest.mark.skipif(importlib.util.find_spec("lgpio") is not None, reason="lgpio is installed here")
def test_without_a_pin_factory_named_it_is_lgpio_and_no_other() -> None:
    """Here is no lgpio, so the start fails; sliding on to another library would only warn."""
    code = (
        "import queue, sys\n"
        "from firmware.board import Board\n"
        "from firmware.clock import SystemClock\n"
        "from firmware.settings import Basin, Broker, Settings\n"
        "basin = Basin(name='b1', sensors=('28-00000000000a',), lid_pin=17)\n"
        "settings = Settings(node='n', broker=Broker(host='127.0.0.1'), basins=(basin,), data_dir='.')\n"
        "try:\n    Board(settings, SystemClock(), queue.Queue())\n"
        "except Exception as error:\n    print(type(error).__name__, error)\n"
    )
    environment = {key: text for key, text in os.environ.items() if not key.startswith("GPIOZERO")}
    said = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert said.stdout.startswith("BoardError The pins cannot be used through 'lgpio': No module named 'lgpio'.")
    assert "Fallback" not in said.stderr


class FakeNotifyThread(threading.Thread):
    """As lgpio 0.2.2 makes one at import: `_notify_thread`, started at once, ended by an exception in a callback."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.let_go = threading.Event()
        self.start()

    def run(self) -> None:
        self.let_go.wait(30)


def test_a_dead_thread_of_lgpios_is_noticed_and_another_put_in_its_place(
    pins: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    events: queue.Queue[Edge] = queue.Queue()
    board = Board(SETTINGS, StillClock(), events)
    assert board.edges_live()  # as far as is known: there is no lgpio here
    library = types.SimpleNamespace(_notify_thread=FakeNotifyThread())
    monkeypatch.setitem(sys.modules, "lgpio", library)
    assert board.edges_live()
    dead = library._notify_thread
    dead.let_go.set()
    dead.join(10)
    assert not board.edges_live()
    board.reopen()
    assert board.edges_live()
    assert library._notify_thread is not dead
    library._notify_thread.let_go.set()
    pins.pin(17).drive_low()
    pins.pin(27).drive_low()
    assert drained(events)[-2:] == [Edge("b1", Switch.LID, 0, True), Edge("b1", Switch.BUTTON, 0, True)]
    board.light("b1", 1, 0, 0)
    assert pins.pin(5).state == 1  # lights are not touched
    board.close()
