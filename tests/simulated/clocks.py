"""The clocks of a simulated clinic: true time, which only the scheduler moves, and what each machine makes of it."""

from __future__ import annotations

import random

TRUE_UTC_MS = 1_772_438_400_000
"""2026-03-02T08:00:00Z: what a right wall clock says when the simulation begins."""

STEPS_MS = (3_600_000, -3_600_000, 86_399_000, -86_400_000, 1_000, -1_000)
"""An hour, a day, a leap second, forwards and back; a clock more than a day ahead is not believed, so a little less."""


class Time:
    """True time, in milliseconds since the simulation began."""

    def __init__(self) -> None:
        self.now_ms = 0

    def pass_ms(self, ms: int) -> None:
        """Time goes on."""
        self.now_ms += ms


class MachineClock:
    """Both clocks of one boot of a node: a `firmware.clock.Clock`.

    The uninterrupted clock runs from the boot and never steps. The wall clock is right, or wrong by `wrong_by_ms`.
    """

    def __init__(self, time: Time, rng: random.Random, boot_id: str, *, in_1970: bool) -> None:
        self.boot_id = boot_id
        self._time = time
        self._booted_ms = time.now_ms - rng.randrange(5_000, 60_000)
        self.in_1970 = in_1970
        self.wrong_by_ms = -(TRUE_UTC_MS + self._booted_ms) + rng.randrange(0, 3_000) if in_1970 else 0

    def boot_ms(self) -> int:
        return self._time.now_ms - self._booted_ms

    def utc_ms(self) -> int:
        return TRUE_UTC_MS + self._time.now_ms + self.wrong_by_ms

    def synced(self) -> bool:
        return not self.in_1970

    def real_s(self, ms: int) -> float:
        return ms / 1000

    def true_ms(self, boot_ms: int) -> int:
        """When it really was `boot_ms` after this boot, in milliseconds of true time."""
        return self._booted_ms + boot_ms

    def step(self, rng: random.Random) -> int:
        """Somebody sets the wall clock, which says that it is synchronised, wrong by an hour, a day or a second.

        A wrong one is set right again. Returns by how much, in milliseconds.
        """
        before_ms = self.wrong_by_ms
        self.wrong_by_ms = 0 if self.wrong_by_ms or self.in_1970 else rng.choice(STEPS_MS)
        self.in_1970 = False
        return self.wrong_by_ms - before_ms

    def set_right(self) -> None:
        """The clock is synchronised, and stays so."""
        self.in_1970, self.wrong_by_ms = False, 0


class ServerClock:
    """The collector's wall clock."""

    def __init__(self, time: Time) -> None:
        self._time = time

    def __call__(self) -> int:
        return TRUE_UTC_MS + self._time.now_ms
