"""The node's settings: one TOML file, each key declared once, everything checked at start.

`help_lines` makes the table for people from the same declarations.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import msgspec

from firmware.errors import SettingsError
from soak.reading import END
from soak.requirement import MAX_GAP_MS
from soak.wire import BasinName, NodeName

W1_DEVICES = "/sys/bus/w1/devices"
"""Where the kernel lists the sensors on the 1-Wire bus."""

_Pin = Annotated[int, msgspec.Meta(ge=0, le=27)]  # BCM numbers on the 40-pin header
_Sensor = Annotated[str, msgspec.Meta(pattern=r"^28-[0-9a-f]{12}" + END)]
"""Only family 28: other families code their temperature differently, and the uncertainty assumed is this part's."""


class Light(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A light of three colours."""

    red: Annotated[_Pin, msgspec.Meta(description="BCM number of the red channel.")]
    green: Annotated[_Pin, msgspec.Meta(description="BCM number of the green channel.")]
    blue: Annotated[_Pin, msgspec.Meta(description="BCM number of the blue channel.")]


class Basin(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One basin: its name, its sensors, its lid switch."""

    name: Annotated[BasinName, msgspec.Meta(description="As people say it, such as b1: a-z, 0-9 and -.")]
    sensors: Annotated[
        tuple[_Sensor, ...],
        msgspec.Meta(min_length=1, max_length=16, description="Its DS18B20 sensors as the kernel names them, 28-…"),
    ]
    lid_pin: Annotated[_Pin, msgspec.Meta(description="BCM number of the lid switch; closed to ground = lid closed.")]
    button_pin: Annotated[
        _Pin | None, msgspec.Meta(description="BCM number of the button; pressed = closed to ground.")
    ] = None
    light: Annotated[Light | None, msgspec.Meta(description="BCM numbers of its light: red, green, blue.")] = None
    max_gap_ms: Annotated[
        int,
        msgspec.Meta(ge=2_000, le=600_000, description="Longest pause between readings that still counts as watched."),
    ] = MAX_GAP_MS


class Broker(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the node sends its readings."""

    host: Annotated[str, msgspec.Meta(min_length=1, description="Name or address of the MQTT broker.")]
    port: Annotated[int, msgspec.Meta(ge=1, le=65_535, description="TCP port; 8883 is usual with ca_file.")] = 1883
    username: Annotated[str | None, msgspec.Meta(description="Login at the broker.")] = None
    password_file: Annotated[str | None, msgspec.Meta(description="File whose first line is the password.")] = None
    ca_file: Annotated[str | None, msgspec.Meta(description="Certificate authority (PEM); turns TLS on.")] = None

    def __post_init__(self) -> None:
        """Refuse half a login."""
        if (self.username is None) != (self.password_file is None):
            given, missing = ("username", "password_file") if self.username else ("password_file", "username")
            raise ValueError(f"`{given}` is set without `{missing}`. A login needs both: add `{missing}`.")


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything a node needs to know before it starts."""

    node: Annotated[NodeName, msgspec.Meta(description="This node's name, such as room-3; also its login.")]
    broker: Broker
    basins: Annotated[tuple[Basin, ...], msgspec.Meta(min_length=1)] = msgspec.field(name="basin")
    data_dir: Annotated[str, msgspec.Meta(description="Folder for readings that wait for a receipt.")] = (
        "/var/lib/soakledger"
    )
    w1_devices: Annotated[str, msgspec.Meta(description="Where the kernel lists the 1-Wire sensors.")] = W1_DEVICES
    buzzer_pin: Annotated[_Pin | None, msgspec.Meta(description="BCM number of the buzzer.")] = None

    def pins(self) -> Iterator[tuple[int, str]]:
        """Every pin in use, with what it is for."""
        for basin in self.basins:
            yield basin.lid_pin, f"lid_pin of basin {basin.name}"
            if basin.button_pin is not None:
                yield basin.button_pin, f"button_pin of basin {basin.name}"
            if basin.light:
                for colour in basin.light.__struct_fields__:
                    yield getattr(basin.light, colour), f"light.{colour} of basin {basin.name}"
        if self.buzzer_pin is not None:
            yield self.buzzer_pin, "buzzer_pin"


def load(path: Path) -> Settings:
    """Read a settings file.

    Raises:
        SettingsError: It cannot be used.
    """
    return msgspec.convert(tomllib.loads(path.read_text()), Settings)
