"""The collector's wall clock, real or in rehearsal."""

from __future__ import annotations

import time
from collections.abc import Callable

from host.clock import boottime_ms
from soak.rehearsal import Rehearsal

UtcClock = Callable[[], int]
"""Gives milliseconds since 1970, UTC."""


def wall_clock(rehearsal: Rehearsal | None = None) -> UtcClock:
    """The clock to use: the machine's, or the one that all parts of a rehearsal share."""
    if rehearsal is None:
        return lambda: time.time_ns() // 1_000_000
    return lambda: rehearsal.utc_ms(boottime_ms())
