"""Types of device and devices."""

from __future__ import annotations

import enum
from typing import ClassVar

import msgspec

from collector.record.things.base import Days, Id, Millis, Text, Thing
from collector.record.things.solutions import Rinses


class Step(enum.StrEnum):
    """Steps before the soak."""

    POINT_OF_USE = "point-of-use clean"
    LEAK_TEST = "leak test"
    CLEAN = "clean"
    RINSE = "rinse"
    DRIED = "dried"
    PARTS_OFF = "detachable parts off"
    CHANNELS_FILLED = "channels filled"
    NO_BUBBLES = "no bubbles"


class DeviceType(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A kind of device as its maker's instructions describe it.

    Attributes:
        name: E.g. "gastroscope".
        kind: What solutions are excluded for, e.g. "urological"; free words in lower case.
        profiles: Solution profiles that its maker permits.
        steps: What must be attested before the soak.
        rinses: If its maker asks for more than the label: count and time.
        dry_ms: The least drying time; common practice where its maker prints none.
        hang_days: Longest storage before it is reprocessed; sources disagree, so there is no default.
    """

    KIND: ClassVar[str] = "device-type"
    name: Text
    kind: str
    profiles: tuple[Id, ...]
    steps: tuple[Step, ...]
    rinses: Rinses | None = None
    dry_ms: Millis = 0
    hang_days: Days | None = None


class Quarantine(msgspec.Struct, frozen=True, omit_defaults=True):
    """A device that must not be used.

    Attributes:
        by: Who said so, or "collector".
        at_ms: When.
        reason: Why.
        next_action: What to do about it.
    """

    by: str
    at_ms: int
    reason: str
    next_action: str


class Device(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A reusable medical device.

    Attributes:
        type: Its device type.
        serial: Serial number.
        udi: Unique device identification as scanned, element strings in parentheses.
        turn: Its present or last round of reprocessing.
        quarantine: Set while it must not be used.
        lookbacks: Open look-backs that it is part of.
        stored_in: Storage cabinet; empty if it is not stored.
        stored_ms: Since when.
        hang_until_ms: When it must be reprocessed if it was not used.
        retired: Taken out of service.
    """

    KIND: ClassVar[str] = "device"
    type: Id
    serial: str = ""
    udi: str = ""
    turn: str = ""
    quarantine: Quarantine | None = None
    lookbacks: tuple[str, ...] = ()
    stored_in: str = ""
    stored_ms: int | None = None
    hang_until_ms: int | None = None
    retired: bool = False

    def group(self) -> str:
        """By type."""
        return self.type

    def open(self) -> bool:
        """In service."""
        return not self.retired
