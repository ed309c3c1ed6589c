"""The thread of lights and buzzer: it follows at once and keeps its rhythm; pins that hang or fail hold up nobody."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import pytest

from firmware.signalling import Signalling
from firmware.watch import Watch
from soak.alarms import Priority
from soak.signals import BLUE, CYAN, DARK, RED, Colour, Shown, Sign, Sounding

HIGH, MEDIUM, LOW = Priority
IDLE, EARLY = Shown(Sign.IDLE), Shown(Sign.LOADED, alarm=HIGH)
OPENED, QUIET_LINE = Sounding(HIGH, 1_000, "opened-early"), Sounding(LOW, 900, "no-collector")
Wait = Callable[..., None]


class Pins:
    """Remembers what it was set to; can fail, and hang."""

    def __init__(self) -> None:
        self.set: list[tuple[str, object]] = []
        self.problem: Exception | None = None
        self.free = threading.Event()
        self.free.set()

    def light(self, basin: str, red: float, green: float, blue: float) -> None:
        self._do(basin, Colour(red, green, blue))

    def sound(self, *, on: bool) -> None:
        self._do("buzzer", on)

    def _do(self, name: str, value: object) -> None:
        self.free.wait()
        if self.problem:
            raise self.problem
        self.set.append((name, value))

    def of(self, name: str) -> list[object]:
        return [value for each, value in list(self.set) if each == name]


@pytest.fixture
def pins() -> Pins:
    return Pins()


@pytest.fixture
def signalling(pins: Pins) -> Iterator[Signalling]:
    one = Signalling(pins, ["b1", "b2"])
    one.start()
    yield one
    pins.free.set()
    one.close()


def test_it_follows_at_once_and_sets_only_what_changes(signalling: Signalling, pins: Pins, wait_until: Wait) -> None:
    wait_until(lambda: len(pins.set) == 3)
    assert sorted(pins.set, key=str) == [("b1", DARK), ("b2", DARK), ("buzzer", False)]
    signalling.show({"b1": Shown(Sign.MET), "b2": Shown(Sign.IDLE, alarm=LOW)}, [])
    wait_until(lambda: len(pins.set) == 5)
    assert sorted(pins.set[3:], key=str) == [("b1", BLUE), ("b2", CYAN)]
    signalling.show({"b1": IDLE, "b2": IDLE}, [])
    wait_until(lambda: len(pins.set) == 7)
    assert sorted(pins.set[5:], key=str) == [("b1", DARK), ("b2", DARK)]


def test_an_alarm_begins_with_its_colour_and_a_pulse_and_keeps_its_rhythm_when_something_else_changes(
    signalling: Signalling, pins: Pins, wait_until: Wait
) -> None:
    signalling.show({"b1": EARLY, "b2": IDLE}, [OPENED])
    wait_until(lambda: pins.of("b1")[-1:] == [RED] and pins.of("buzzer")[-1:] == [True])
    began = signalling._score
    signalling.show({"b1": Shown(Sign.SOAKING, 3, HIGH), "b2": Shown(Sign.MET)}, [OPENED, QUIET_LINE])
    assert signalling._score.lights["b1"] == began.lights["b1"]  # not from the beginning again: that would flash faster
    assert signalling._score.sound == began.sound
    wait_until(lambda: len(pins.of("b1")) >= 5)
    assert pins.of("b1")[-4:] in ([RED, DARK] * 2, [DARK, RED] * 2)
    wait_until(lambda: pins.of("buzzer").count(True) >= 3)


def test_a_low_alarm_that_was_masked_does_not_sound_again(signalling: Signalling, pins: Pins, wait_until: Wait) -> None:
    signalling.show({"b1": IDLE, "b2": IDLE}, [QUIET_LINE])
    wait_until(lambda: pins.of("buzzer")[-2:] == [True, False])
    signalling.show({"b1": EARLY, "b2": IDLE}, [QUIET_LINE, OPENED])
    wait_until(lambda: pins.of("buzzer").count(True) >= 2)
    signalling.show({"b1": IDLE, "b2": IDLE}, [QUIET_LINE])
    wait_until(lambda: pins.of("buzzer")[-1] is False and pins.of("b1")[-1] == DARK)
    pulses = pins.of("buzzer").count(True)
    signalling.show({"b1": IDLE, "b2": Shown(Sign.MET)}, [QUIET_LINE])
    wait_until(lambda: pins.of("b2")[-1] == BLUE)
    assert pins.of("buzzer").count(True) == pulses


def test_pins_that_fail_are_told_and_tried_again(
    signalling: Signalling, pins: Pins, wait_until: Wait, caplog: pytest.LogCaptureFixture
) -> None:
    wait_until(lambda: len(pins.set) == 3)
    pins.problem = OSError("no such pin")
    signalling.show({"b1": EARLY, "b2": IDLE}, [OPENED])
    wait_until(lambda: signalling.ailment() == "lights and buzzer cannot be set: no such pin")
    pins.problem = None
    wait_until(lambda: RED in pins.of("b1") and True in pins.of("buzzer"))
    wait_until(lambda: signalling.ailment() == "")
    assert [record.message for record in caplog.records] == [
        "signalling failed problem='no such pin'; it is tried again"
    ]


def test_pins_that_hang_hold_up_nobody_and_another_thread_goes_on(
    signalling: Signalling, pins: Pins, wait_until: Wait
) -> None:
    wait_until(lambda: len(pins.set) == 3)
    failures: list[Exception] = []
    watch = Watch(lambda: None, failures.append)
    signalling.watch(watch)
    pins.free.clear()
    signalling.show({"b1": EARLY, "b2": IDLE}, [OPENED])
    wait_until(lambda: not signalling._news)
    for n in range(100):  # whoever calls does not wait for pins
        signalling.show({"b1": EARLY, "b2": Shown(Sign.SOAKING, n % 10)}, [OPENED])
    stuck = signalling._thread
    signalling._pulse._moved_s = time.monotonic() - 31
    assert signalling.ailment() == "lights and buzzer stand still"
    watch.look()
    assert signalling._thread is not stuck
    pins.free.set()
    wait_until(lambda: not stuck.is_alive())
    wait_until(lambda: RED in pins.of("b1"))
    assert failures == []


def test_at_the_end_everything_is_dark_and_silent(pins: Pins, wait_until: Wait) -> None:
    one = Signalling(pins, ["b1"])
    one.start()
    one.show({"b1": EARLY}, [OPENED])
    wait_until(lambda: True in pins.of("buzzer") and RED in pins.of("b1"))
    one.close()
    assert (pins.of("buzzer")[-1], pins.of("b1")[-1]) == (False, DARK)
    assert not one._thread.is_alive()
