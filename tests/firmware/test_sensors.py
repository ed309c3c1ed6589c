"""A thread per sensor on a real temporary 1-Wire tree, read through w1thermsensor."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from node_kit import SpeedyClock, Tree, w1_slave

from firmware.sensors import Sensors, fault_word
from firmware.watch import Watch
from soak.reading import Fault

A, B = "28-00000000000a", "28-00000000000b"


BOOT = "9f6c0000-0000-4000-8000-000000000000"


@pytest.fixture
def clock() -> SpeedyClock:
    return SpeedyClock(BOOT, speed=100)


@pytest.fixture
def sensors(tree: Tree, clock: SpeedyClock) -> Iterator[Sensors]:
    one = Sensors([A, B], tree.folder, clock)
    yield one
    one.close()
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("sensor ")]


def test_each_sensor_has_its_newest_value(tree: Tree, sensors: Sensors, wait_until: Callable[..., None]) -> None:
    tree.set(A, w1_slave(341))
    tree.set(B, w1_slave(-1))
    sensors.start()
    wait_until(lambda: len(sensors.newest()) == 2)
    assert {sensor: newest.result for sensor, newest in sensors.newest().items()} == {A: 21_312, B: -62}
    tree.set(A, w1_slave(342))
    wait_until(lambda: sensors.newest()[A].result == 21_375)


def test_every_failure_is_named_and_it_comes_back_by_itself(
    tree: Tree, sensors: Sensors, wait_until: Callable[..., None]
) -> None:
    """The kernel gives an empty file at first and removes the folder later; the same object recovers."""

    def becomes(result: int | Fault) -> None:
        wait_until(lambda: A in sensors.newest() and sensors.newest()[A].result == result)

    sensors.start()
    becomes(Fault("unplugged"))  # not there from the start
    tree.set(A, w1_slave(341))
    becomes(21_312)
    tree.set(A, "")
    becomes(Fault("no-answer"))
    good = w1_slave(341)
    tree.set(A, good.replace("YES", "NO"))
    becomes(Fault("crc", good[:26].replace(" ", "")))
    tree.set(A, good.splitlines(keepends=True)[0])  # w1thermsensor raises IndexError here
    becomes(Fault("garbled", good[:26].replace(" ", "")))
    tree.set(A, "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n")
    becomes(Fault("shorted", "00" * 9))
    tree.set(A, "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n")
    becomes(Fault("power-on", "50054b467fff0c101c"))
    (tree.folder / A / "w1_slave").unlink()
    (tree.folder / A / "w1_slave").mkdir()
    becomes(Fault("bus-eisdir"))
    shutil.rmtree(tree.folder / A)
    becomes(Fault("unplugged"))
    tree.set(A, w1_slave(320))
    becomes(20_000)


def test_a_sensor_that_blocks_stops_neither_the_others_nor_its_own_return(
    tree: Tree, sensors: Sensors, clock: SpeedyClock, wait_until: Callable[..., None]
) -> None:
    """A FIFO in the file's place blocks as a conversion does."""
    tree.set(B, w1_slave(320))
    (tree.folder / A).mkdir()
    os.mkfifo(tree.folder / A / "w1_slave")
    sensors.start()
    wait_until(lambda: B in sensors.newest())
    first = sensors.newest()[B]
    wait_until(lambda: sensors.newest()[B].ended_ms > first.ended_ms + 2_000)
    assert A not in sensors.newest()
    began_ms = clock.boot_ms()
    fifo = tree.folder / "fifo"
    os.link(tree.folder / A / "w1_slave", fifo)
    tree.set(A, w1_slave(342))  # for the next conversion; the one under way still waits
    fifo.write_text(w1_slave(341))
    wait_until(lambda: A in sensors.newest())
    assert sensors.newest()[A].ended_ms >= began_ms  # a value is as old as the end of its conversion, not its start
    wait_until(lambda: sensors.newest()[A].result == 21_375)


def test_two_nodes_in_one_process_look_in_their_own_folders(tmp_path: Path, wait_until: Callable[..., None]) -> None:
    for name, sixteenths in [("one", 320), ("two", 336)]:
        Tree(tmp_path / name).set(A, w1_slave(sixteenths))
    both = [Sensors([A], tmp_path / name, SpeedyClock(BOOT, speed=100)) for name in ("one", "two")]
    for one in both:
        one.start()
    wait_until(lambda: all(one.newest() for one in both))
    assert [one.newest()[A].result for one in both] == [20_000, 21_000]
    for one in both:
        one.close()


@pytest.mark.parametrize(
    ("error", "word"),
    [
        (IndexError(), "index-error"),
        (PermissionError(13, "Permission denied"), "no-permission"),
        (OSError(5, "Input/output error"), "bus-eio"),
        (FileNotFoundError(), "unplugged"),
        (type("Ünlikely_" + "Long" * 12, (Exception,), {})(), "nlikelylong-long-long-long-long-"),
    ],
)
def test_any_exception_has_a_word_that_travels(error: Exception, word: str) -> None:
    assert fault_word(error) == word
    Fault(fault_word(error))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_sensors_thread_that_died_is_followed_by_another(
    tree: Tree, sensors: Sensors, wait_until: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    tree.set(A, 336)
    tree.set(B, 320)
    watch = Watch(lambda: None, lambda _: None)
    sensors.watch(watch)
    sensors.start()
    wait_until(lambda: len(sensors.newest()) == 2)
    thread = sensors._threads[A]

    def dies() -> int:
        raise SystemExit

    monkeypatch.setattr(thread, "_read", dies)
    thread.join(10)
    assert not thread.is_alive()
    tree.set(A, 337)
    watch.look()
    wait_until(lambda: sensors.newest()[A].result == 21_062)


def test_a_sensors_thread_that_is_stuck_is_followed_by_another_and_has_no_say_any_more(
    tree: Tree, sensors: Sensors, wait_until: Callable[..., None]
) -> None:
    (tree.folder / A).mkdir()
    os.mkfifo(tree.folder / A / "w1_slave")
    fifo = tree.folder / "fifo"
    os.link(tree.folder / A / "w1_slave", fifo)
    tree.set(B, 320)
    watch = Watch(lambda: None, lambda _: None)
    sensors.watch(watch)
    sensors.start()
    stuck = sensors._threads[A]
    stuck.pulse.limit_s = 0.05
    wait_until(lambda: stuck.pulse.ailment(0.05))
    tree.set(A, 336)
    watch.look()
    stuck.pulse.limit_s = 60
    wait_until(lambda: A in sensors.newest() and sensors.newest()[A].result == 21_000)
    fifo.write_text(w1_slave(400))
    stuck.join(10)
    assert not stuck.is_alive()
    assert stuck.newest is None
