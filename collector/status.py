"""`collector.status`: how the collector is, in a small file that also works when its database cannot be written.

4,096 bytes, overwritten in place, so that a full disk does not stop it; never waited for, so that the kernel puts many
beats into one write to the card. JSON, filled up with spaces, and its CRC-32 in hexadecimal on the last line.
"""

from __future__ import annotations

import os
import zlib
from pathlib import Path
from typing import NamedTuple

import msgspec

from collector.conditions import Condition
from host.clock import boot_id, boottime_ms
from soak.decoding import from_json
from soak.wire import DiskUse

FILE_NAME = "collector.status"
SIZE_BYTES = 4_096
BEAT_EVERY_S = 2.0
OLD_MS = 10_000
"""A beat older than this: the collector does not run, or cannot write."""

_MINUTE_MS = 60_000
_CHECK_BYTES = 10  # a line feed, eight digits, a line feed


class Certificate(msgspec.Struct, frozen=True):
    """A certificate that the collector looks at.

    Attributes:
        name: Its file, or the address that shows it.
        until_ms: When it ends, milliseconds since 1970.
        authority: It signs others.
    """

    name: str
    until_ms: int
    authority: bool = False


class Own(msgspec.Struct, frozen=True):
    """How the collector's own machine is.

    Attributes:
        synced: Its wall clock is synchronised; None before anybody has looked.
        disk: The disk of its data folder.
        backup_due_ms: When the next backup is due, milliseconds since 1970; None where the settings plan none.
    """

    synced: bool | None = None
    disk: DiskUse | None = None
    backup_due_ms: int | None = None


class Status(msgspec.Struct, frozen=True):
    """How the collector is.

    Attributes:
        epoch: Of its data.
        run: Of this start.
        running: False once it has ended in order.
        boot: Boot id of its machine.
        beat_ms: When this was written, on that machine's uninterrupted clock (CLOCK_BOOTTIME).
        said_ms: The same, milliseconds since 1970.
        stored_ms: When something was last stored, milliseconds since 1970; None if nothing was since its start.
        conditions: What is wrong, most urgent first, as many as there is room for.
        left_out: How many more there are.
        encrypted: The collector speaks to its broker by TLS; None: it does not say.
        certificates: Those that were looked at, as far as they could be.
        own: How its own machine is.
    """

    epoch: str
    run: str
    running: bool
    boot: str
    beat_ms: int
    said_ms: int
    stored_ms: int | None
    conditions: list[Condition] = []
    left_out: int = 0
    encrypted: bool | None = None
    certificates: list[Certificate] = []
    own: Own = Own()


class Seen(NamedTuple):
    """What the file says to somebody else.

    Attributes:
        status: What it says; None where it cannot be read.
        problem: Why it cannot be believed; empty when it can.
        closed: This user may not read it: that says nothing about the collector.
    """

    status: Status | None
    problem: str
    closed: bool = False


def encoded(status: Status) -> bytes:
    """The file's content; conditions for which there is no room are counted."""
    conditions = status.conditions
    while True:
        fitting = msgspec.structs.replace(
            status, conditions=conditions, left_out=status.left_out + len(status.conditions) - len(conditions)
        )
        body = msgspec.json.encode(fitting)
        if len(body) <= SIZE_BYTES - _CHECK_BYTES:
            padded = body.ljust(SIZE_BYTES - _CHECK_BYTES)
            return padded + b"\n%08x\n" % zlib.crc32(padded)
        conditions = conditions[: len(conditions) * 3 // 4]


def decoded(content: bytes) -> Status | None:
    """What a file says; None if it is not whole."""
    padded, check = content[:-_CHECK_BYTES], content[-_CHECK_BYTES:]
    if len(content) != SIZE_BYTES or check != b"\n%08x\n" % zlib.crc32(padded):
        return None
    try:
        return from_json(padded, Status)
    except msgspec.DecodeError:
        return None


def write(data_dir: Path, status: Status) -> bool:
    """Overwrite the file; False if that is not possible, and then its age will tell."""
    try:
        file = os.open(data_dir / FILE_NAME, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        try:
            return os.pwrite(file, encoded(status), 0) == SIZE_BYTES
        finally:
            os.close(file)
    except OSError:
        return False


def read(data_dir: Path) -> Seen:
    """What the collector last said, and whether that still holds."""
    try:
        with (data_dir / FILE_NAME).open("rb") as file:
            content = file.read(SIZE_BYTES + 1)
    except FileNotFoundError:
        return Seen(None, f"There is no {FILE_NAME} in its data folder.")
    except OSError as error:
        closed = isinstance(error, PermissionError)
        return Seen(None, f"{FILE_NAME} in its data folder cannot be read ({error.strerror}).", closed)
    status = decoded(content)
    return Seen(status, f"{FILE_NAME} in its data folder is damaged." if status is None else _holds(status))


def _holds(status: Status) -> str:
    """Why it no longer holds; empty if it does."""
    if not status.running:
        return "It was stopped."
    if status.boot != boot_id():
        return "This machine has started anew since it last said anything."
    age_ms = boottime_ms() - status.beat_ms
    if age_ms <= OLD_MS:
        return ""
    # Not a new text every second: pages read it out to those who cannot see them.
    return f"It has said nothing for {'more than 10 s' if age_ms < _MINUTE_MS else f'{age_ms // _MINUTE_MS} min'}."
