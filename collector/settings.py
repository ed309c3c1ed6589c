"""collector.toml: the site, its broker, its basins and what is required of each; checked whole before the start."""

from __future__ import annotations

import datetime
import difflib
import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec

from collector.alarms.route_files import MOST_ROUTES, check_routes, read_routes
from collector.errors import SettingsError
from host.private_file import unread
from soak.alarms import Priority
from soak.decoding import converted
from soak.quantity import duration_ms, exact_millidegrees
from soak.reading import SensorId
from soak.requirement import MAX_GAP_MS, Requirement, SensorTerms
from soak.uncertainty import unchecked_u_mc
from soak.wear import RATED_TB
from soak.wire import BasinName, NodeName

_Checked = TypeVar("_Checked", Requirement, SensorTerms)
_Label = Annotated[str, msgspec.Meta(min_length=1, max_length=60)]
_SHORTEST_SILENCE_MS, _LONGEST_SILENCE_MS = 5_000, 24 * 3_600_000
_Degrees = str  # as written, with a point: nothing is rounded on the way to millidegrees


class BrokerSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How to reach the broker.

    Attributes:
        host: Name or address.
        port: TCP port.
        username: Login, where the broker asks for one.
        password_file: File that holds the password, readable by the collector alone.
        ca_file: Certificate authority, for TLS.
    """

    host: str = "127.0.0.1"
    port: Annotated[int, msgspec.Meta(ge=1, le=65_535)] = 1883
    username: str | None = None
    password_file: str | None = None
    ca_file: str | None = None

    def password(self) -> str | None:
        """What the password file says, without the end of its line.

        Raises:
            SettingsError: It cannot be read.
        """
        if self.password_file is None:
            return None
        try:
            return Path(self.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"password_file {self.password_file} cannot be read ({error}). "
                "Name a text file that the collector's user may read."
            ) from None


class SensorSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One required sensor of a basin.

    Attributes:
        correction_c: Added to what it indicates, degrees Celsius, from its last check.
        u_c: Expanded uncertainty (k = 2), degrees Celsius; left out, the datasheet's figure for an unchecked sensor.
    """

    correction_c: _Degrees = "0"
    u_c: _Degrees | None = None


class RequirementSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the label in use asks of a manual soak.

    Attributes:
        min_temp_c: Lowest solution temperature, degrees Celsius.
        contact: Contact time: a number and s, m or h.
        max_temp_c: Highest solution temperature, where the label prints one.
        max_gap: Longest pause between readings that still counts as watched.
        since: From when on this holds, with an offset; left out, from the start that first reads it. Soaks that
            closed before any requirement held stay unproven.
    """

    min_temp_c: _Degrees
    contact: str
    max_temp_c: _Degrees | None = None
    max_gap: str = f"{MAX_GAP_MS // 1000}s"
    since: Annotated[datetime.datetime, msgspec.Meta(tz=True)] | None = None


class BasinSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One basin.

    Attributes:
        node: The node that watches it.
        name: Its name on that node.
        label: As people call it.
        place: Where it stands.
        sensors: Every required sensor; a reading without one of them proves nothing.
        requirement: What its soaks must fulfil; left out, they stay unproven.
    """

    node: NodeName
    name: BasinName
    label: _Label
    sensors: dict[SensorId, SensorSettings]
    place: Annotated[str, msgspec.Meta(max_length=60)] = ""
    requirement: RequirementSettings | None = None

    def terms(self) -> dict[SensorId, SensorTerms]:
        """Correction and U of every required sensor, in millidegrees.

        Raises:
            ValueError: A figure is no number, too fine, or beyond what can be.
        """
        return {
            sensor: _within(
                {
                    "u_mc": unchecked_u_mc() if settings.u_c is None else exact_millidegrees(settings.u_c),
                    "correction_mc": exact_millidegrees(settings.correction_c),
                },
                SensorTerms,
            )
            for sensor, settings in self.sensors.items()
        }

    def required(self) -> Requirement | None:
        """The requirement in integers.

        Raises:
            ValueError: A figure is no number, too fine, or beyond what can be.
        """
        if self.requirement is None:
            return None
        maximum = self.requirement.max_temp_c
        return _within(
            {
                "min_mc": exact_millidegrees(self.requirement.min_temp_c),
                "contact_ms": duration_ms(self.requirement.contact),
                "max_mc": None if maximum is None else exact_millidegrees(maximum),
                "max_gap_ms": duration_ms(self.requirement.max_gap),
            },
            Requirement,
        )


class NotifySettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Somebody who is told of alarms.

    Attributes:
        person: As people call them; no two are called the same.
        urls_file: File with their routes as apprise writes them, one a line, # before remarks; closed to other users
            of the machine. From the folder of these settings, unless it begins with a slash.
        least: The least urgent alarm that reaches them.
        quiet: Hours of the day, "20:00-06:30", in which only high reaches them.
        closed_days: They are told of less than high also on days on which the site does not work.
    """

    person: _Label
    urls_file: Annotated[str, msgspec.Meta(min_length=1)]
    least: Priority = Priority.HIGH
    quiet: str | None = None
    closed_days: bool = False

    def quiet_hours(self) -> tuple[datetime.time, datetime.time] | None:
        """When they begin and end; the end may be on the next day.

        Raises:
            ValueError: They are no hours.
        """
        if self.quiet is None:
            return None
        begin, _, end = self.quiet.partition("-")
        if (hours := (time_of_day(begin), time_of_day(end))) and hours[0] == hours[1]:
            raise ValueError(f"quiet is {self.quiet!r}: it must end at another time than it begins.")
        return hours


class BackupSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Backups that the collector takes by itself, each day.

    Attributes:
        folder: Where; from the folder of these settings, unless it begins with a slash. Better on another disk.
        at: When, "02:30" in the site's local time.
        too_old: The last backup is too old after so long, and an alarm says so: a number and s, m or h.
        also: Files kept beside the data, from the folder of these settings; left out, these settings. Passwords and
            keys are in files of their own, which are kept only if they are named here.
    """

    folder: str
    at: str = "02:30"
    too_old: str = "48h"
    also: Annotated[list[str], msgspec.Meta(max_length=50)] | None = None

    def too_old_ms(self) -> int:
        """`too_old` in milliseconds.

        Raises:
            ValueError: It is no length of time, or out of reason.
        """
        too_old_ms = duration_ms(self.too_old)
        if not 3_600_000 <= too_old_ms <= 10_000 * 3_600_000:
            raise ValueError(f"too_old is {self.too_old!r}; it must be from 1h to 10000h.")
        return too_old_ms


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All of collector.toml.

    Attributes:
        site: The clinic's name, on every page.
        broker: How to reach the broker.
        basin: Every basin, in the order in which pages show them.
        silent_after: A basin without a new reading for longer is said to be silent: a number and s, m or h.
        notify: Who is told of alarms, in this order.
        drill_at: When each day's test of all routes begins, "08:00" in the site's local time; left out, there is none.
        backup: Backups that the collector takes by itself; left out, it takes none, and still says when the last one
            on record is too old.
        card_rated_tb: Terabytes that the card or disk under the data bears being written, by its maker; the default is
            an assumption.
        certificates: Files with certificates that are watched, so that their end is told long before: the broker's
            and the pages'; from the folder of these settings, unless they begin with a slash. The authority under
            [broker] and what the broker shows are watched anyway.
    """

    site: _Label
    broker: BrokerSettings = BrokerSettings()
    basin: Annotated[list[BasinSettings], msgspec.Meta(max_length=1_000)] = []
    silent_after: str = "30s"
    notify: Annotated[list[NotifySettings], msgspec.Meta(max_length=MOST_ROUTES)] = []
    drill_at: str | None = None
    backup: BackupSettings | None = None
    card_rated_tb: Annotated[int, msgspec.Meta(ge=1, le=100_000)] = RATED_TB
    certificates: Annotated[list[str], msgspec.Meta(max_length=20)] = []

    def silent_after_ms(self) -> int:
        """`silent_after` in milliseconds.

        Raises:
            ValueError: It is no length of time, or out of reason.
        """
        silent_after_ms = duration_ms(self.silent_after)
        if not _SHORTEST_SILENCE_MS <= silent_after_ms <= _LONGEST_SILENCE_MS:
            raise ValueError(f"silent_after is {self.silent_after!r}; it must be from 5s to 24h.")
        return silent_after_ms


def load(path: Path) -> Settings:
    """Read and check the settings.

    Raises:
        SettingsError: With the file, the place in it, what is wrong and what would be right.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=str)
    except OSError as error:
        raise SettingsError(f"{path}: {unread(error, 'Name the file with --settings.')}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: is not TOML: {error}.") from None
    try:
        settings = converted(_numbers_as_text(content), Settings)
        _check(settings)
        settings = _with_certificates(_with_backup(_with_routes(settings, path.parent), path), path.parent)
    except (msgspec.ValidationError, ValueError) as error:
        raise SettingsError(f"{path}: {_readable(str(error))}") from None
    return settings


def time_of_day(text: str) -> datetime.time:
    """A time such as "06:30".

    Raises:
        ValueError: It is none.
    """
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text, re.ASCII):
        raise ValueError(f"{text!r} is no time of day. Write hours and minutes, such as 06:30.")
    return datetime.time.fromisoformat(text)


def _with_routes(settings: Settings, folder: Path) -> Settings:
    """The settings with the whole path of every file of routes; each has been read and checked."""
    if settings.drill_at is not None:
        time_of_day(settings.drill_at)
        if not settings.notify:
            raise ValueError("drill_at is set, but nobody is under [[notify]]: a drill would reach nobody.")
    files, notify = {}, []
    for person, times in Counter(each.person for each in settings.notify).items():
        if times > 1:
            raise ValueError(f"{person!r} is under [[notify]] {times} times. Put all their routes into one file.")
    for each in settings.notify:
        path = folder.absolute() / each.urls_file
        try:
            each.quiet_hours()
            files[path] = read_routes(path)
        except ValueError as error:
            raise ValueError(f"Notifications for {each.person!r}: {error}") from None
        notify.append(msgspec.structs.replace(each, urls_file=str(path)))
    if sum(map(len, files.values())) > MOST_ROUTES:
        raise ValueError(f"There are more than {MOST_ROUTES} routes. Keep those that somebody looks at.")
    check_routes(files)
    return msgspec.structs.replace(settings, notify=notify)


def _with_backup(settings: Settings, path: Path) -> Settings:
    """The settings with whole paths for their backups."""
    if settings.backup is None:
        return settings
    backup, folder = settings.backup, path.absolute().parent
    time_of_day(backup.at)
    backup.too_old_ms()
    if not backup.folder:
        raise ValueError("folder of [backup] is empty: name the folder in which backups are kept.")
    also = [str(folder / each) for each in (backup.also if backup.also is not None else [path.name])]
    if len({Path(each).name for each in also}) < len(also):
        raise ValueError("Two files under also of [backup] have one name: one would take the other's place.")
    for each in also:
        if not Path(each).is_file():
            raise ValueError(f"{each}, named under also of [backup], is no file: it could not be kept.")
    whole = msgspec.structs.replace(backup, folder=str(folder / backup.folder), also=also)
    return msgspec.structs.replace(settings, backup=whole)


def _with_certificates(settings: Settings, folder: Path) -> Settings:
    """With whole paths; a file that is not there is told by the page of site health, and stops nothing."""
    whole = [str(folder.absolute() / each) for each in settings.certificates]
    return msgspec.structs.replace(settings, certificates=whole)


def _numbers_as_text(content: Any) -> Any:
    """Quantities may be written as text or as numbers; they are kept as written, so nothing is rounded."""
    if isinstance(content, dict):
        return {
            key: str(item) if _is_quantity(key) and isinstance(item, int) else _numbers_as_text(item)
            for key, item in content.items()
        }
    return [_numbers_as_text(item) for item in content] if isinstance(content, list) else content


def _is_quantity(key: str) -> bool:
    return key.endswith("_c") or key in ("contact", "max_gap", "silent_after", "too_old")


def _check(settings: Settings) -> None:
    settings.silent_after_ms()
    basins = Counter((basin.node, basin.name) for basin in settings.basin)
    labels = Counter(basin.label for basin in settings.basin)
    sensors = Counter(sensor for basin in settings.basin for sensor in basin.sensors)
    for (node, name), times in basins.items():
        if times > 1:
            raise ValueError(f"Basin {name!r} of node {node!r} is described {times} times. Keep one of them.")
    for label, times in labels.items():
        if times > 1:
            raise ValueError(f"Two basins are called {label!r}: people could not tell them apart. Rename one.")
    for sensor, times in sensors.items():
        if times > 1:
            raise ValueError(
                f"Sensor {sensor} is in {times} basins; it can be in one only. Check its number on the bus."
            )
    for basin in settings.basin:
        if not basin.sensors:
            raise ValueError(f"Basin {basin.label!r} has no sensor. Name at least one under its sensors.")
        try:
            basin.terms()
            basin.required()
        except ValueError as error:
            raise ValueError(f"Basin {basin.label!r}: {error}") from None
    if settings.broker.password_file and settings.broker.username is None:
        raise ValueError("The broker has a password_file but no username: it would not be used. Name both or neither.")


_RANGES = {
    "min_mc": "min_temp_c must be from -55 to 125 °C, what the sensors measure.",
    "max_mc": "max_temp_c must be from -55 to 125 °C, what the sensors measure.",
    "contact_ms": "contact must be more than 0 and at most 168h.",
    "max_gap_ms": "max_gap must be more than 0 and at most 10m.",
    "u_mc": "u_c must be from 0 to 20 °C.",
    "correction_mc": "correction_c must be from -20 to 20 °C.",
}


def _within(figures: dict[str, int | None], kind: type[_Checked]) -> _Checked:
    """Figures in integers, within the bounds that their declaration sets."""
    try:
        return converted(figures, kind)
    except msgspec.ValidationError as error:
        at_fault = re.search(r"`\$\.(\w+)`", str(error))
        raise ValueError(_RANGES[at_fault[1]] if at_fault else str(error)) from None


_NAMES = "Names are a-z and 0-9, with single hyphens between"
_FORMS = {
    "node": _NAMES,
    "name": _NAMES,
    "sensors": "A sensor is named as its folder under /sys/bus/w1/devices: 28-, then twelve digits of 0-9 and a-f",
}
_KNOWN_KEYS = {
    field
    for struct in (
        Settings,
        BrokerSettings,
        BasinSettings,
        SensorSettings,
        RequirementSettings,
        NotifySettings,
        BackupSettings,
    )
    for field in struct.__struct_fields__
}


def _readable(text: str) -> str:
    """What msgspec says, with what would be right."""
    if unknown := re.search(r"unknown field `([^`]+)`", text):
        near = difflib.get_close_matches(unknown[1], sorted(_KNOWN_KEYS), 1)
        return text + (f". Did you mean `{near[0]}`?" if near else f". Known keys: {', '.join(sorted(_KNOWN_KEYS))}.")
    form = re.fullmatch(r"Expected `str` matching regex .* - at (?:`key` in )?(`.*\.(\w+)`)", text)
    return f"{_FORMS[form[2]]} - at {form[1]}" if form and form[2] in _FORMS else text
