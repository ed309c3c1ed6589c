"""The node's settings: one TOML file, each key declared once, everything checked at start.

`help_lines` makes the table for people from the same declarations.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any

import msgspec

from firmware import pins
from firmware.errors import SettingsError
from host.private_file import unread
from soak.decoding import converted
from soak.reading import END
from soak.requirement import MAX_GAP_MS
from soak.wear import RATED_TB
from soak.wire import BasinName, NodeName

W1_DEVICES = "/sys/bus/w1/devices"
"""Where the kernel lists the sensors on the 1-Wire bus."""

_Pin = int  # a BCM number; whether it can be used is said by firmware/pins.py
_Sensor = Annotated[str, msgspec.Meta(pattern=r"^28-[0-9a-f]{12}" + END)]
"""Only family 28: other families code their temperature differently, and the uncertainty assumed is this part's."""


class Light(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A light of three colours."""

    red: Annotated[_Pin, msgspec.Meta(description="BCM number of its red light; all three or none.")]
    green: Annotated[_Pin, msgspec.Meta(description="BCM number of its green light; all three or none.")]
    blue: Annotated[_Pin, msgspec.Meta(description="BCM number of its blue light; all three or none.")]


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
        """Refuse half a login, and a name that no resolver takes."""
        try:
            self.host.encode("idna")
        except UnicodeError:
            raise ValueError(f"`host` {self.host!r} is no name or address. Write it as in broker.example.") from None
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
    outbox_share: Annotated[
        float,
        msgspec.Meta(
            ge=0.01, le=0.9, description="Share of the disk under data_dir that readings may take; then the oldest go."
        ),
    ] = 0.25
    card_rated_tb: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            le=100_000,
            description="Terabytes that the card under data_dir bears being written, by its maker; the default is an "
            "assumption.",
        ),
    ] = RATED_TB
    w1_devices: Annotated[str, msgspec.Meta(description="Where the kernel lists the 1-Wire sensors.")] = W1_DEVICES
    w1_pin: Annotated[
        _Pin,
        msgspec.Meta(description="BCM number of the sensors' 1-Wire bus, the same as gpiopin= of its dtoverlay line."),
    ] = pins.W1
    buzzer_pin: Annotated[_Pin | None, msgspec.Meta(description="BCM number of the buzzer.")] = None

    def __post_init__(self) -> None:
        """Refuse what contradicts itself: it would start, and then watch the wrong basin."""
        _refuse_twice((f"The name {basin.name}", f"basin {number}") for number, basin in enumerate(self.basins, 1))
        _refuse_twice((f"Sensor {sensor}", f"basin {basin.name}") for basin in self.basins for sensor in basin.sensors)
        uses = list(self.uses())
        if problem := next(filter(None, (pins.objection(use, self.w1_pin) for use in uses)), ""):
            raise ValueError(problem)
        _refuse_twice((f"Pin {use.bcm}", use.key) for use in uses)

    def uses(self) -> Iterator[pins.Use]:
        """Every pin in use, with what it is for."""
        yield pins.Use(self.w1_pin, pins.Part.W1)
        for basin in self.basins:
            yield pins.Use(basin.lid_pin, pins.Part.LID, basin.name)
            if basin.button_pin is not None:
                yield pins.Use(basin.button_pin, pins.Part.BUTTON, basin.name)
            if basin.light:
                for part in pins.LIGHT:
                    yield pins.Use(getattr(basin.light, part.name.lower()), part, basin.name)
        if self.buzzer_pin is not None:
            yield pins.Use(self.buzzer_pin, pins.Part.BUZZER)


def load(file: Path) -> Settings:
    """Read and check a settings file.

    Args:
        file: A TOML file. Relative paths in it count from its own folder.

    Returns:
        The settings, every path in them absolute: the GPIO library changes the working directory.

    Raises:
        SettingsError: It cannot be used; the text says where and what would be right.
    """
    try:
        tree = tomllib.loads(file.read_bytes().decode())
        settings = converted(tree, Settings)
    except OSError as error:
        problem = unread(error, "Write one, or name another with --settings.")
        raise SettingsError(file, f"it {problem}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(file, f"byte {error.start} is not UTF-8. Save it as UTF-8 text.") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(file, f"it is not TOML: {error}. Mend that line.") from error
    except msgspec.ValidationError as error:
        raise SettingsError(file, _advice(str(error))) from error
    here = file.absolute().parent
    broker = msgspec.structs.replace(
        settings.broker,
        password_file=_absolute(here, settings.broker.password_file),
        ca_file=_absolute(here, settings.broker.ca_file),
    )
    data_dir, w1_devices = str(here / settings.data_dir), str(here / settings.w1_devices)
    return msgspec.structs.replace(settings, broker=broker, data_dir=data_dir, w1_devices=w1_devices)


def _refuse_twice(uses: Iterable[tuple[str, str]]) -> None:
    seen: dict[str, str] = {}
    for thing, use in uses:
        if thing in seen:
            raise ValueError(f"{thing} is given twice: for {seen[thing]} and for {use}. Change one of the two.")
        seen[thing] = use


def help_lines() -> list[tuple[str, str]]:
    """Every key with its default and what it is, as declared above: (`basin.lid_pin`, "BCM number …")."""
    return list(_keys("", _named(msgspec.inspect.type_info(Settings))))


def _absolute(here: Path, path: str | None) -> str | None:
    return None if path is None else str(here / path)


def _keys(prefix: str, fields: dict[str, msgspec.inspect.Field]) -> Iterator[tuple[str, str]]:
    for name, field in fields.items():
        inner = _named(field.type)
        if inner:
            yield from _keys(f"{prefix}{name}.", inner)
        else:
            default = "" if field.required or field.default is None else f" Default: {field.default}."
            optional = "" if field.required else " Optional."
            yield prefix + name, _description(field) + (default or optional)


def _named(kind: Any) -> dict[str, msgspec.inspect.Field]:
    """The fields of the struct in `kind`, by the names they have in the file; none if there is no struct."""
    if isinstance(kind, msgspec.inspect.StructType):
        return {field.encode_name: field for field in kind.fields}
    if isinstance(kind, msgspec.inspect.Metadata):
        return _named(kind.type)
    if isinstance(kind, msgspec.inspect.VarTupleType):
        return _named(kind.item_type)
    if isinstance(kind, msgspec.inspect.UnionType):
        return next((named for part in kind.types if (named := _named(part))), {})
    return {}


def _description(field: msgspec.inspect.Field) -> str:
    schema = field.type.extra_json_schema if isinstance(field.type, msgspec.inspect.Metadata) else None
    return str((schema or {}).get("description", ""))


def _advice(problem: str) -> str:
    """What msgspec says, with the nearest valid key or what the key is for."""
    problem = re.sub(r"^Expected `str` matching regex '.*'", "Not written in the form expected", problem)
    path = re.search(r" - at `\$([^`]*)`$", problem)
    fields, field = _named(msgspec.inspect.type_info(Settings)), None
    for key in re.findall(r"\.(\w+)", path[1] if path else ""):
        field = fields.get(key)
        fields = _named(field.type) if field else {}
    if unknown := re.match(r"Object contains unknown field `(.*?)`", problem):
        near = difflib.get_close_matches(unknown[1], fields, n=1)
        return f"{problem}. " + (f"Did you mean `{near[0]}`?" if near else f"Known there: {', '.join(fields)}.")
    if missing := re.match(r"Object missing required field `(.*?)`", problem):
        field = fields[missing[1]]
    about = _description(field) if field else ""
    return problem if problem.endswith(".") else f"{problem}. {about}".rstrip()
