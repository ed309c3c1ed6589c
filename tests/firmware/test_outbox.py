"""Readings are on disk before they are offered, stay until a receipt covers them, and keep their numbers."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, initialize, invariant, rule
from outbox_kit import BOOT_1, BOOT_2, A, B, SetClock, reading

from firmware import outbox as outbox_module
from firmware.errors import OutboxError
from firmware.outbox import Outbox
from soak import wire
from soak.ranges import Ranges
from soak.reading import Fault, Lid, Reading, Why


def opened(folder: Path, clock: SetClock) -> Outbox:
    outbox = Outbox(folder, clock, pause_s=0)
    outbox.start(lambda: None)
    return outbox


def written(outbox: Outbox) -> None:
    """Wait until the disk has all that was handed over."""
    deadline = time.monotonic() + 20
    while outbox.waiting:
        outbox.check()
        assert time.monotonic() < deadline
        time.sleep(0.001)


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


@pytest.fixture
def outbox(tmp_path: Path, clock: SetClock) -> Iterator[Outbox]:
    one = opened(tmp_path, clock)
    yield one
    one.close()


def test_readings_are_offered_with_dense_numbers_from_one(outbox: Outbox, clock: SetClock) -> None:
    b1, b2 = outbox.begin("b1", [A]), outbox.begin("b2", [A])
    assert len(b1) == 32
    assert outbox.streams() == [wire.HeldStream(b1, "b1", 1, 0, BOOT_1), wire.HeldStream(b2, "b2", 1, 0, BOOT_1)]
    clock.now_ms = 3000
    outbox.append([("b1", reading(1000)), ("b2", reading(1000, 20_000)), ("b1", reading(1400, why=Why.LID))])
    outbox.append([("b1", reading(2000))])
    written(outbox)
    assert outbox.streams() == [wire.HeldStream(b1, "b1", 1, 3, BOOT_1), wire.HeldStream(b2, "b2", 1, 1, BOOT_1)]
    batch = outbox.batch(b1, 1, 500)
    assert batch == wire.Batch(
        stream=b1,
        basin="b1",
        boot=BOOT_1,
        first=1,
        clock=wire.Clock(3000, "2023-11-14T22:13:20.000Z", True),
        readings=[reading(1000), reading(1400, why=Why.LID), reading(2000)],
    )
    assert wire.decode(wire.Topic.READINGS, wire.encode(batch)) == batch
    assert outbox.batch(b1, 2, 1).readings == [reading(1400, why=Why.LID)]


def test_a_receipt_releases_exactly_what_it_covers(outbox: Outbox) -> None:
    b1 = outbox.begin("b1", [A])
    outbox.append([("b1", reading(ms)) for ms in range(1000, 11_000, 1000)])
    written(outbox)
    outbox.release(b1, [(1, 3), (6, 7), (10, 99)])
    assert list(outbox.held(b1)) == [(4, 5), (8, 9)]
    assert outbox.streams() == [wire.HeldStream(b1, "b1", 4, 10, BOOT_1)]
    assert [one.ms for one in outbox.batch(b1, 4, 500).readings] == [4000, 5000]  # it ends at the hole
    with pytest.raises(LookupError, match="Reading 6 of stream"):
        outbox.batch(b1, 6, 500)
    outbox.release("f" * 32, [(1, 5)])
    outbox.release(b1, [(4, 9)])
    assert outbox.streams() == [wire.HeldStream(b1, "b1", 11, 10, BOOT_1)]
    outbox.append([("b1", reading(20_000))])
    written(outbox)
    assert list(outbox.held(b1)) == [(11, 11)]


def test_after_a_restart_the_rest_is_still_held_and_numbers_begin_in_a_new_stream(
    tmp_path: Path, clock: SetClock
) -> None:
    first = opened(tmp_path, clock)
    old = first.begin("b1", [A, B])
    two = Reading(1000, Why.START, Lid.OPEN, {A: -62, B: None}, {B: Fault("crc", "4b017f")})
    first.append([("b1", two), ("b1", Reading(2000, Why.TICK, Lid.OPEN, {A: 1, B: 2}))])
    written(first)
    first.release(old, [(2, 2)])
    first.close()
    second = opened(tmp_path, clock)
    new = second.begin("b1", [A, B])
    assert new != old
    assert second.streams() == [wire.HeldStream(old, "b1", 1, 2, BOOT_1), wire.HeldStream(new, "b1", 1, 0, BOOT_1)]
    assert second.batch(old, 1, 1).readings == [two]  # number 2 lies in the same row: it may be sent again
    second.release(old, [(1, 2)])
    assert [held.stream for held in second.streams()] == [new]
    second.close()
    third = opened(tmp_path, clock)
    assert third.streams() == []
    third.close()


def test_a_stream_of_an_earlier_boot_keeps_that_boots_clock(tmp_path: Path) -> None:
    """Its times count from another zero: the clock sent with them is that boot's, at or after its last reading."""
    before = SetClock(BOOT_1, boot_ms=900_000, utc_ms=1_700_000_000_000)
    before.is_synced = False
    one = opened(tmp_path, before)
    old = one.begin("b1", [A])
    one.append([("b1", reading(899_000)), ("b1", reading(900_001))])  # moved a millisecond past the clock
    written(one)
    one.close()
    two = opened(tmp_path, SetClock(BOOT_2, boot_ms=5_000, utc_ms=1_800_000_000_000))
    batch = two.batch(old, 1, 500)
    assert batch.boot == BOOT_1
    assert batch.clock == wire.Clock(900_001, "2023-11-14T22:13:20.001Z", False)
    assert wire.decode(wire.Topic.READINGS, wire.encode(batch)) == batch
    two.close()


def test_after_a_restart_within_one_boot_the_clock_is_the_present_one(tmp_path: Path, clock: SetClock) -> None:
    """The wall clock may have been set meanwhile: the newest pair says best when the readings were."""
    one = opened(tmp_path, clock)
    old = one.begin("b1", [A])
    one.append([("b1", reading(1000))])
    written(one)
    one.close()
    clock.now_ms, clock.wall_ms = 60_000, 1_800_000_000_000
    two = opened(tmp_path, clock)
    assert two.batch(old, 1, 500).clock == wire.Clock(60_000, "2027-01-15T08:00:00.000Z", True)
    two.close()


def test_each_tick_is_one_transaction_for_all_basins(tmp_path: Path, clock: SetClock) -> None:
    one = Outbox(tmp_path, clock)
    one.begin("b1", [A])
    one.begin("b2", [A])
    for tick in range(1, 4):
        one.append([("b1", reading(tick * 1000)), ("b2", reading(tick * 1000))])
        assert one.waiting == 2
        assert one.write()
        assert (one.waiting, one.depth) == (0, 2 * tick)
        assert not one.write()  # nothing was left
    one.close()


def test_what_somebody_waits_for_is_written_without_the_pause(
    tmp_path: Path, clock: SetClock, wait_until: Callable[..., None]
) -> None:
    """The pause is longer than anything here waits."""
    outbox = Outbox(tmp_path, clock, pause_s=600)
    outbox.begin("b1", [A])
    outbox.start(lambda: None)
    outbox.append([("b1", reading(1_000))])
    wait_until(lambda: outbox.waiting == 0)
    outbox.append([("b1", reading(2_000))])
    outbox.append([("b1", reading(2_500, why=Why.LID, lid=Lid.OPEN))], urgent=True)
    wait_until(lambda: outbox.waiting == 0)
    outbox.append([("b1", reading(3_000))])
    assert outbox.waiting == 1
    outbox.close()


def test_a_kill_soon_after_a_restart_with_receipts_coming_costs_nothing(tmp_path: Path) -> None:
    """The first row of a stream, which describes it, is written over at once; its card is there by then."""
    one = Outbox(tmp_path / "one", SetClock())
    one.begin("b1", [A])
    for number in range(1, 4):
        one.append([("b1", reading(number * 1_000))])
        one.write()
    one.close()
    for kill in range(1, 40):
        shutil.copytree(tmp_path / "one", tmp_path / f"{kill}")
        two = Outbox(tmp_path / f"{kill}", SetClock(BOOT_2))
        stream = two.begin("b1", [A])
        for number in range(1, kill + 1):
            two.append([("b1", reading(number * 1_000))])
            two.write()
            two.release(stream, [(1, number - 1)] if number > 1 else [])
        (tmp_path / f"{kill}-killed").mkdir()
        for file in (tmp_path / f"{kill}").glob("outbox.db*"):
            shutil.copy(file, tmp_path / f"{kill}-killed")
        two.close()
        three = Outbox(tmp_path / f"{kill}-killed", SetClock(BOOT_2))
        assert kill in three.held(stream)
        assert not list((tmp_path / f"{kill}-killed").glob("*damaged*"))
        three.close()


# --- what is wrong with the file is named, and the file is left alone -----------------------------------------------


def stop_text(folder: Path) -> str:
    with pytest.raises(OutboxError) as caught:
        Outbox(folder, SetClock())
    assert caught.value.exit_code == 4
    return str(caught.value).removeprefix(f"{folder / 'outbox.db'}: ")


def test_two_nodes_cannot_share_an_outbox(tmp_path: Path, clock: SetClock) -> None:
    one = opened(tmp_path, clock)
    assert stop_text(tmp_path) == (
        "another node already uses it. Stop the other one, or give this one a data_dir of its own."
    )
    one.close()
    opened(tmp_path, clock).close()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutboxError) as caught:
        Outbox(tmp_path / "file" / "data", SetClock())
    assert str(caught.value) == (
        f"{tmp_path}/file/data/outbox.db: it cannot be made (Not a directory). "
        "Let this user write there, or name another folder as data_dir."
    )


def test_only_the_nodes_user_may_read_it(tmp_path: Path, clock: SetClock) -> None:
    opened(tmp_path / "new", clock).close()
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "new" / "outbox.db").stat().st_mode & 0o777 == 0o600


# --- whatever is cut off, nothing that was offered is lost ----------------------------------------------------------

WRITER = """
import sys, time
from pathlib import Path
from firmware.clock import SystemClock
from firmware.outbox import Outbox
from soak.reading import Lid, Reading, Why
outbox = Outbox(Path(sys.argv[1]), SystemClock(), pause_s=0)
stream = outbox.begin("b1", ["28-00000000000a"])
outbox.start(lambda: print(outbox.held(stream).last, flush=True))
for ms in range(1, 10**9):
    outbox.append([("b1", Reading(ms, Why.TICK, Lid.OPEN, {"28-00000000000a": ms % 50_000}))])
    time.sleep(0.0005)
"""


def test_a_killed_process_loses_nothing_that_was_written(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = [int(process.stdout.readline()) for _ in range(30)]
        os.kill(process.pid, signal.SIGKILL)
        said += [int(line) for line in process.stdout.read().split()]
    one = opened(tmp_path, SetClock(BOOT_2))
    (held,) = one.streams()
    assert held.oldest == 1
    assert held.newest >= said[-1] >= 30
    ms = [each.ms for each in one.batch(held.stream, 1, 10**6).readings]
    assert ms == list(range(1, held.newest + 1))
    one.close()


class Life(RuleBasedStateMachine):
    """Append, release, stop and start, lose the power: the outbox always holds exactly what no receipt covered."""

    streams = Bundle("streams")

    @initialize()
    def first_start(self) -> None:
        self.patches = [
            patch.multiple(outbox_module, MERGE_AT=8, MERGE=4, TIDY_EVERY=5, FULL_EVERY=3, FREE_SLOTS=2),
            patch("firmware.outbox_file._MOST_LOG_PAGES", 20),
        ]
        for each in self.patches:
            each.start()
        self.root = Path(tempfile.mkdtemp())
        self.lives = 0
        self.held: dict[str, dict[int, Reading]] = {}
        self.outbox = self._open(self.root / "0")

    def _open(self, folder: Path) -> Outbox:
        outbox = opened(folder, SetClock(boot_ms=10**9))
        self.now = outbox.begin("b1", [A])
        self.number = self.ms = 0
        self.held[self.now] = {}
        return outbox

    @rule(target=streams)
    def current(self) -> str:
        return self.now

    @rule(count=st.integers(1, 9))
    def append(self, count: int) -> None:
        for _ in range(count):
            self.number, self.ms = self.number + 1, self.ms + 1000
            one = reading(self.ms, mc=self.number)
            self.held[self.now][self.number] = one
            self.outbox.append([("b1", one)])
        written(self.outbox)

    @rule(stream=streams, first=st.integers(1, 30), length=st.integers(0, 12))
    def release(self, stream: str, first: int, length: int) -> None:
        self.outbox.release(stream, [(first, first + length)])
        for number in range(first, first + length + 1):
            self.held[stream].pop(number, None)

    @rule()
    def restart(self) -> None:
        self.outbox.close()
        self._found_again(self.root / str(self.lives))

    @rule()
    def kill(self) -> None:
        here, self.lives = self.root / str(self.lives), self.lives + 1
        there = self.root / str(self.lives)
        there.mkdir()
        for file in here.glob("outbox.db*"):
            shutil.copy(file, there)
        self.outbox.close()
        self._found_again(there)

    def _found_again(self, folder: Path) -> None:
        """What is released may come back: it was not deleted yet, and is sent again without harm."""
        known = {stream: dict(numbers) for stream, numbers in self.held.items()}
        self.outbox = self._open(folder)
        for stream, numbers in known.items():
            back = Ranges(self.outbox.held(stream))
            assert not [number for number in numbers if number not in back]
            again = [number for first, last in back for number in range(first, last + 1) if number not in numbers]
            self.outbox.release(stream, [(number, number) for number in again])

    @invariant()
    def holds_exactly_what_no_receipt_covered(self) -> None:
        told = {held.stream: held for held in self.outbox.streams()}
        for stream, numbers in self.held.items():
            ranges = self.outbox.held(stream)
            assert {number for first, last in ranges for number in range(first, last + 1)} == set(numbers)
            for first, last in ranges:
                batch = self.outbox.batch(stream, first, 500)
                assert batch.readings == [numbers[number] for number in range(first, last + 1)]
            if numbers:
                assert told[stream].oldest == min(numbers)
        assert list(told)[-1] == self.now

    def teardown(self) -> None:
        if hasattr(self, "outbox"):
            for each in self.patches:
                each.stop()
            self.outbox.close()
            shutil.rmtree(self.root)


TestLife = Life.TestCase
TestLife.settings = settings(
    max_examples=15, stateful_step_count=20, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
