"""The node's clocks. Durations come from CLOCK_BOOTTIME alone: it never steps when the wall clock is set."""

from __future__ import annotations

import time
from typing import NamedTuple, Protocol

from host.clock import Synchronisation, boot_id, boottime_ms
from soak import wire
from soak.quantity import utc_text
from soak.rehearsal import Rehearsal

STEP_MS = 50
"""A wall clock that moved against the other one by more than this in a second has been set; slewing moves it by 0.5 ms
a second at most (adjtimex(2): 500 ppm)."""


class Clock(Protocol):
    """What the node asks of its clocks."""

    boot_id: str

    def boot_ms(self) -> int:
        """Milliseconds of the uninterrupted clock since boot."""

    def utc_ms(self) -> int:
        """Milliseconds since 1970 on the wall clock, right or wrong."""

    def synced(self) -> bool:
        """The wall clock is known to be synchronised."""

    def real_s(self, ms: int) -> float:
        """How many real seconds `ms` of this clock take: for waiting."""


def read_together(clock: Clock) -> tuple[int, int]:
    """Both clocks at one moment.

    A thread may lose the processor between the two questions, which would look like a step of the wall clock; so the
    wall clock is asked between two looks at the other until these agree, and the closest pair of a few tries is taken.

    Returns:
        Milliseconds since boot, and milliseconds since 1970.
    """
    best: tuple[int, int, int] | None = None
    for _ in range(10):
        before_ms, utc_ms, after_ms = clock.boot_ms(), clock.utc_ms(), clock.boot_ms()
        spread_ms = after_ms - before_ms
        if best is None or spread_ms < best[0]:
            best = (spread_ms, after_ms, utc_ms)
        if spread_ms == 0:
            break
    assert best is not None  # noqa: S101
    return best[1], best[2]


class Anchor(NamedTuple):
    """Both clocks at one moment.

    Attributes:
        boot_ms: Milliseconds since boot.
        utc_ms: Milliseconds since 1970 on the wall clock.
        synced: The wall clock was known to be synchronised then.
    """

    boot_ms: int
    utc_ms: int
    synced: bool


def read_anchor(clock: Clock) -> Anchor:
    """Both clocks at one moment, and whether the wall clock was right.

    That is asked before and after: a clock that is set right between the questions would else lend its good name to a
    time read before.
    """
    before = clock.synced()
    boot_ms, utc_ms = read_together(clock)
    return Anchor(boot_ms, utc_ms, before and clock.synced())


def stamp(clock: Clock, not_before_ms: int = 0) -> wire.Clock:
    """Both clocks as they travel.

    Args:
        clock: The node's clocks.
        not_before_ms: A reading's time that this must not be earlier than; readings are moved apart by a millisecond.
    """
    boot_ms, utc_ms, synced = read_anchor(clock)
    late_ms = max(0, not_before_ms - boot_ms)
    return wire.Clock(boot_ms + late_ms, utc_text(utc_ms + late_ms), synced)


class SystemClock:
    """The machine's own clocks."""

    def __init__(self) -> None:
        self.boot_id = boot_id()
        self._synchronisation = Synchronisation()

    def boot_ms(self) -> int:
        return boottime_ms()

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def synced(self) -> bool:
        return self._synchronisation.synced()

    def real_s(self, ms: int) -> float:
        return ms / 1000


class RehearsalClock:
    """A faster clock, with a boot of its own, for the simulator.

    Args:
        rehearsal: The clock that every part of the rehearsal shares.
        boot_id: The simulated boot.
        booted_ago_ms: How long ago, in rehearsal time, this boot is said to have happened.
    """

    def __init__(self, rehearsal: Rehearsal, boot_id: str, booted_ago_ms: int = 60_000) -> None:
        self.boot_id = boot_id
        self._rehearsal = rehearsal
        self._booted_utc_ms = self.utc_ms() - booted_ago_ms

    def boot_ms(self) -> int:
        return self.utc_ms() - self._booted_utc_ms

    def utc_ms(self) -> int:
        return self._rehearsal.utc_ms(boottime_ms())

    def synced(self) -> bool:
        return True

    def real_s(self, ms: int) -> float:
        return ms / 1000 / self._rehearsal.speed
