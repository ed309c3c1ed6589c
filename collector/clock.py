"""The collector's clocks: the wall clock, real or in rehearsal, and the machine's uninterrupted one."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from soak.rehearsal import Rehearsal

UtcClock = Callable[[], int]
"""Gives milliseconds since 1970, UTC."""


def wall_clock(rehearsal: Rehearsal | None = None) -> UtcClock:
    """The clock to use: the machine's, or the one that all parts of a rehearsal share."""
    if rehearsal is None:
        return lambda: time.time_ns() // 1_000_000
    return lambda: rehearsal.utc_ms(boottime_ms())


def boottime_ms() -> int:
    """The machine's uninterrupted clock, milliseconds since it started."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def boot_id() -> str:
    """Which start of the machine this is; empty where it cannot be told."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
