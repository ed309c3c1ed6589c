"""The node's clocks: read together, and synchronised or not as the kernel says."""

from __future__ import annotations

import ctypes
import time

import pytest

from firmware.clock import (
    RehearsalClock,
    SystemClock,
    read_anchor,
    read_together,
    stamp,
)
from host.clock import STA_UNSYNC, TIME_ERROR, Timex, says_synced
from soak import wire
from soak.rehearsal import Rehearsal

BOOT = "9f6c0000-0000-4000-8000-000000000001"


class Hesitant:
    """Loses the processor for a while in some of its first answers."""

    boot_id = BOOT

    def __init__(self, pauses_ms: list[int]) -> None:
        self.pauses_ms, self.now_ms = pauses_ms, 1_000

    def boot_ms(self) -> int:
        answer = self.now_ms
        self.now_ms += self.pauses_ms.pop(0) if self.pauses_ms else 0
        return answer

    def utc_ms(self) -> int:
        answer = self.now_ms + 1_700_000_000_000
        self.now_ms += self.pauses_ms.pop(0) if self.pauses_ms else 0
        return answer

    def synced(self) -> bool:
        return False

    def real_s(self, ms: int) -> float:
        return ms / 1000


def test_a_pause_between_the_two_clocks_does_not_look_like_a_step() -> None:
    for pauses in ([300], [0, 300], [300, 0, 0, 0, 200], [0, 0, 0, 80]):
        boot_ms, utc_ms = read_together(Hesitant(pauses))
        assert utc_ms - boot_ms == 1_700_000_000_000


def test_without_a_moment_of_peace_the_closest_pair_is_taken() -> None:
    boot_ms, utc_ms = read_together(Hesitant([60, 60, 0, 5, 5, 0] + [60, 60, 0] * 20))
    assert abs(utc_ms - boot_ms - 1_700_000_000_000) <= 10


def test_a_stamp_is_not_earlier_than_the_reading_it_goes_with() -> None:
    clock = Hesitant([])
    assert stamp(clock) == wire.Clock(1_000, "2023-11-14T22:13:21.000Z", False)
    assert stamp(clock, 1_001) == wire.Clock(1_001, "2023-11-14T22:13:21.001Z", False)


def test_the_machines_clock_is_boottime_and_its_boot_id_travels() -> None:
    clock = SystemClock()
    before_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    boot_ms = clock.boot_ms()
    assert before_ms <= boot_ms <= time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    assert isinstance(clock.synced(), bool)
    assert clock.real_s(1500) == 1.5
    state = wire.State(up=True, boot=clock.boot_id, clock=stamp(clock))
    assert wire.decode(wire.Topic.STATE, wire.encode(state)) == state


def test_a_rehearsals_clock_runs_that_much_faster_and_both_its_clocks_agree() -> None:
    real_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    clock = RehearsalClock(Rehearsal(real_ms, 1_700_000_000_000, 60), BOOT, booted_ago_ms=90_000)
    offsets = {utc_ms - boot_ms for boot_ms, utc_ms in (read_together(clock) for _ in range(2_000))}
    assert len(offsets) == 1  # a millisecond of real time is sixty here: no pair may straddle it
    assert clock.boot_ms() >= 90_000
    assert clock.real_s(60_000) == 1.0


class Corrected(Hesitant):
    """Booted in 1970; whenever `at` questions have been asked, the clock is set right, and known to be."""

    def __init__(self, at: int) -> None:
        super().__init__([])
        self.at, self.asked = at, 0

    def _right(self) -> bool:
        self.asked += 1
        return self.asked > self.at

    def utc_ms(self) -> int:
        return 1_772_442_847_250 if self._right() else 5_000

    def synced(self) -> bool:
        return self._right()


def test_a_clock_set_right_between_the_questions_never_vouches_for_the_time_before() -> None:
    for at in range(6):
        anchor = read_anchor(Corrected(at))
        assert anchor.utc_ms > 10_000 or not anchor.synced
        told = stamp(Corrected(at))
        assert told.utc.startswith("2026") or not told.synced
    assert read_anchor(Corrected(0)).synced


@pytest.mark.parametrize(
    ("result", "status", "synced"),
    [
        (0, 0, True),
        (0, 0x1, True),
        (1, 0, True),
        (4, 0, True),
        (0, STA_UNSYNC, False),
        (TIME_ERROR, 0, False),
        (TIME_ERROR, STA_UNSYNC, False),
        (-1, 0, False),
    ],
)
def test_what_adjtimex_says(result: int, status: int, synced: bool) -> None:
    """adjtimex(2): TIME_OK 0, TIME_INS 1 to TIME_WAIT 4 (leap seconds) are synchronised; STA_UNSYNC 0x40 and TIME_ERROR
    5 are not, nor is a call that failed."""
    assert says_synced(result, status) is synced


def test_the_status_is_where_the_kernel_writes_it() -> None:
    """struct timex in <bits/timex.h>: unsigned modes, four longs, int status. On 64 bit offset 40, on 32 bit 20."""
    longs = ctypes.sizeof(ctypes.c_long)
    assert Timex.status.offset == 5 * longs
    assert ctypes.sizeof(Timex) >= 208


def test_the_library_agrees_with_our_reading_of_the_structure() -> None:
    """tick, microseconds between ticks, is 10,000 for USER_HZ 100, some 10 % either way (adjtimex(2)); its place proves
    that everything before it is where we think it is."""
    timex = Timex(modes=0)
    ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    raw = bytes(timex)
    longs = ctypes.sizeof(ctypes.c_long)
    # after status (int, padded): constant, precision, tolerance (longs), time (two longs), tick (long)
    at = longs * (6 + 3 + 2)
    tick = int.from_bytes(raw[at : at + longs], "little", signed=True)
    assert 9_000 <= tick <= 11_000
