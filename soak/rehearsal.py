"""Time in a rehearsal: one shared, faster clock for every part, worked out from the real one."""

from __future__ import annotations

import msgspec


class Rehearsal(msgspec.Struct, frozen=True):
    """Time that runs `speed` times faster than real time. Pure: the caller brings the real time.

    Attributes:
        real_origin_ms: Real time, in milliseconds of CLOCK_BOOTTIME of the machine, at which both clocks agreed.
        utc_origin_ms: The wall clock at that moment, milliseconds since 1970.
        speed: Rehearsal seconds per real second, 1 or more.
    """

    real_origin_ms: int
    utc_origin_ms: int
    speed: int

    def utc_ms(self, real_ms: int) -> int:
        """The rehearsal's wall clock at a real time."""
        return self.utc_origin_ms + (real_ms - self.real_origin_ms) * self.speed

    def text(self) -> str:
        """As it is handed from one command to another."""
        return f"{self.real_origin_ms}:{self.utc_origin_ms}:{self.speed}"

    @classmethod
    def parsed(cls, text: str) -> Rehearsal:
        """Read what `text` wrote.

        Raises:
            ValueError: Not three whole numbers, or a speed below 1.
        """
        parts = text.split(":")
        if len(parts) != 3 or not all(part.isdigit() for part in parts) or int(parts[2]) < 1:
            raise ValueError(f"{text!r} is not a rehearsal clock; `soakledger demo` writes it as origin:utc:speed.")
        return cls(*map(int, parts))
