"""The node's clocks: read together, and synchronised or not as the kernel says."""

from __future__ import annotations

import time

from firmware.clock import RehearsalClock, SystemClock, read_together, stamp
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
