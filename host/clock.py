"""The computer's own clocks, and whether its wall clock is synchronised."""

from __future__ import annotations

import ctypes
import time
from pathlib import Path

from host.doctor import Found, Mark

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
TIME_ERROR = 5
"""What adjtimex(2) returns for a clock that is not synchronised to a reliable source."""

STA_UNSYNC = 0x40
"""The bit of its status that says so. From memory of the kernel's ntp.c: set whenever somebody sets the clock by hand,
and once the error it keeps account of has grown beyond 16 s, some nine hours after the last answer."""


class Timex(ctypes.Structure):
    """The beginning of struct timex, adjtimex(2), with the padding that the machine's own `long` asks for.

    The rest (times, whose width differs) only has to have room: 208 bytes in all on 64 bit, 128 on 32 bit.
    """

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


def says_synced(result: int, status: int) -> bool:
    """What adjtimex(2) means: its result, -1 where it failed, and its status word."""
    return result not in (-1, TIME_ERROR) and not status & STA_UNSYNC


class Synchronisation:
    """Asks the kernel whether the wall clock is synchronised; costs microseconds."""

    def __init__(self) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)

    def synced(self) -> bool:
        """The wall clock is known to be synchronised."""
        timex = Timex(modes=0)  # 0 only reads
        return says_synced(self._libc.adjtimex(ctypes.byref(timex)), timex.status)


def judge_clock(*, synced: bool) -> Found:
    """What the doctor says of the wall clock."""
    if synced:
        return Found("clock", Mark.GOOD, "synchronised.")
    said = "not synchronised: dates of soaks may be wrong. Contact times hold, they come from another clock."
    todo = "See `timedatectl`: name a time server that this machine reaches; it may take minutes after a start."
    return Found("clock", Mark.WRONG, said, todo)


def boottime_ms() -> int:
    """The machine's uninterrupted clock, milliseconds since it started."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def boot_id() -> str:
    """Which start of the machine this is; empty where it cannot be told."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""
