"""One reading of one basin, as the node took it and as it travels."""

from __future__ import annotations

import enum
from typing import Annotated

import msgspec

END = r"$(?!\n)"
"""End of a pattern for names: `$` alone would let a line feed through."""

SENSOR_PATTERN = r"^[0-9a-f]{2}-[0-9a-f]{12}" + END
SensorId = Annotated[str, msgspec.Meta(pattern=SENSOR_PATTERN)]
"""A 1-Wire sensor as the kernel names its folder: family code, dash, twelve hexadecimal digits."""


def checked_later(pattern: str) -> msgspec.Meta:
    """A pattern that the published schema shows and `soak.wire.decode` checks, once for each text that it meets.

    msgspec would ask Python's `re` at every message, which took longer than all the rest of decoding it.
    """
    return msgspec.Meta(max_length=64, extra_json_schema={"pattern": pattern})


_SensorText = Annotated[str, checked_later(SENSOR_PATTERN)]

LOWEST_MC, HIGHEST_MC = -55_000, 125_000
"""What the sensor can measure at all (DS18B20 datasheet, operating range −55 °C to +125 °C)."""

Millidegrees = Annotated[int, msgspec.Meta(ge=LOWEST_MC, le=HIGHEST_MC)]
Milliseconds = Annotated[int, msgspec.Meta(ge=0, le=2**53 - 1)]
"""Time on a node's uninterrupted clock; the bound is what JSON readers everywhere keep exact."""


class Lid(enum.StrEnum):
    """What the lid switch says."""

    OPEN = "open"
    CLOSED = "closed"


class Why(enum.StrEnum):
    """What made the node take this reading."""

    TICK = "tick"
    LID = "lid"
    BUTTON = "button"
    CLOCK = "clock"
    START = "start"


class Fault(msgspec.Struct, frozen=True, omit_defaults=True, gc=False):
    """Why a sensor gave no temperature.

    Attributes:
        code: A word from `firmware.scratchpad` or `firmware.sampler` ("crc", "no-answer", "stale", …).
        raw: The nine scratchpad bytes in hexadecimal where there were any, else empty.
    """

    code: Annotated[str, msgspec.Meta(pattern=r"^[a-z][a-z0-9-]{0,31}" + END)]
    raw: Annotated[str, msgspec.Meta(pattern=r"^([0-9a-f]{2}){0,16}" + END)] = ""


class Reading(msgspec.Struct, frozen=True, omit_defaults=True, gc=False):
    """Lid and temperatures of one basin at one moment.

    Attributes:
        ms: Milliseconds of the node's uninterrupted clock since its boot.
        why: What made the node take it.
        lid: Lid state at that moment, after debouncing.
        mc: Indicated temperature per sensor in millidegrees Celsius; None where there was no usable value.
        fault: For each None in `mc`, what went wrong.
    """

    ms: Milliseconds
    why: Why
    lid: Lid
    mc: Annotated[dict[_SensorText, Millidegrees | None], msgspec.Meta(max_length=16)]
    fault: Annotated[dict[_SensorText, Fault], msgspec.Meta(max_length=16)] = {}
