"""`soakledger commission`: the guided first start of a node. Only here the terminal and the files come together."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import click

from firmware.checkup.bus import look_at_bus, this_overlay_advice
from firmware.checkup.running import START, keep_node_away
from firmware.clock import Clock, SystemClock
from firmware.commissioned import FILE_NAME, file_commissioned
from firmware.commissioning.console import Console, GoneError, Terminal
from firmware.commissioning.first_settings import first_settings
from firmware.commissioning.guide import Guide
from firmware.commissioning.results import commissioned, summary
from firmware.errors import FirmwareError, SettingsError
from firmware.ownership import own_folder
from firmware.pins import MOST_BASINS
from firmware.settings import W1_DEVICES, Settings, load
from firmware.version import software_version
from host.enrolment import node_name
from host.private_file import FOR_A_GROUP, OUR_GROUP, write_private

DATA_DIR = "/var/lib/soakledger/node"
_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.:-]{0,251}[A-Za-z0-9])?")
_LONGEST_NAME = 60
_EPILOG = (
    "Exit status: 0 every check is good, 1 something is wrong, not seen or was skipped, 3 settings, 5 the node runs, "
    "8 nobody answers. Except for the last three the result is filed."
)


@click.command(epilog=_EPILOG)
@click.option(
    "--settings",
    "file",
    type=click.Path(dir_okay=False, path_type=Path, readable=False),
    default=Path("/etc/soakledger/node.toml"),
    show_default=True,
    help="The node's settings; made where there are none.",
)
@click.option("--by", metavar="NAME", help="Who does it; asked for if not given.")
@click.option("--write", is_flag=True, help="Write the sensors that are warmed into the settings file.")
def command(file: Path, by: str | None, write: bool) -> None:
    """Guide somebody through the first start of this node: every part is tried out, and the result is filed.

    Sees the 1-Wire bus, names each sensor by warming it in the hand, watches lid and button move, shows light and
    buzzer, looks at clock, disk, broker and collector. Meanwhile the node must not run and no device may be in a basin.
    """
    try:
        done = commission(file.absolute(), Terminal(), SystemClock(), by=by, write=write)
    except FirmwareError as error:
        click.echo(f"Error: {error}", err=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        click.echo("\nBroken off: nothing was filed.", err=True)
        sys.exit(GoneError.exit_code)
    sys.exit(0 if done else 1)


def commission(file: Path, console: Console, clock: Clock, *, by: str | None, write: bool) -> bool:
    """Do it, and file the result.

    Args:
        file: The settings file, absolute.
        console: The person.
        clock: The node's clocks.
        by: Who does it; None: ask.
        write: Write what is found into the settings.

    Returns:
        Whether every check was good.

    Raises:
        FirmwareError: It cannot be done, or the result cannot be filed.
    """
    if not _exists(file):
        _begin(file, console)
        write = True
    settings = load(file)
    try:
        own_folder(Path(settings.data_dir))
    except OSError as error:
        said = f"its data_dir {settings.data_dir} cannot be made ({error.strerror}). Run this with sudo."
        raise SettingsError(file, said) from error
    with tempfile.TemporaryDirectory(prefix="soakledger-commission-") as folder:
        os.environ.setdefault("LG_WD", folder)  # the GPIO library leaves a FIFO there
        before = Path.cwd()
        try:
            with keep_node_away(Path(settings.data_dir)):
                return _done(file, settings, console, clock, by=by, write=write)
        finally:
            os.chdir(before)  # that library changes to it


def _done(file: Path, settings: Settings, console: Console, clock: Clock, *, by: str | None, write: bool) -> bool:
    name = _whom(console, by)
    guide = Guide(file, settings, console, clock, write=write)
    results = guide.run()
    data = Path(guide.settings.data_dir)
    try:
        file_commissioned(data, commissioned(results, name, software_version(), clock))
    except (OSError, ValueError) as error:
        said = f"the result cannot be filed in {data} ({error}). Run this with sudo, or mend that and run it again."
        raise SettingsError(file, said) from error
    console.say(f"\nFiled in {data / FILE_NAME}, by {name}. {summary(results)}")
    for each in results.not_good():
        console.say(f"  {each.mark}: {each.code}{f' of basin {each.basin}' if each.basin else ''}: {each.said}")
    console.say(f"It is told to the collector as soon as the node runs. Start it: {START}")
    return not results.not_good()


def _exists(file: Path) -> bool:
    try:
        return file.exists()
    except OSError:
        return True  # reading it says why not


def _whom(console: Console, by: str | None) -> str:
    """Who does it: a line of 1 to 60 characters."""
    while True:
        name = " ".join((console.ask("Your name:") if by is None else by).split())
        if name and len(name) <= _LONGEST_NAME and name.isprintable():
            return name
        console.say(f"A name has 1 to {_LONGEST_NAME} characters.")
        by = None


def _begin(file: Path, console: Console) -> None:
    """No settings yet: make some with the usual pins, a basin for each sensor on the bus."""
    console.say(f"There are no settings in {file}. They can be made now, with the usual pins.")
    bus = look_at_bus(Path(W1_DEVICES))
    if not bus.sensors:
        problem = "there is none, and no sensor is on the 1-Wire bus to begin with."
        todo = "Check the sensors' wires and the 4.7 kOhm resistor." if bus.there else this_overlay_advice()
        raise SettingsError(file, f"{problem} {todo}")
    if len(bus.sensors) > MOST_BASINS:
        raise SettingsError(file, f"there is none, and {len(bus.sensors)} sensors are on the bus. Write one by hand.")
    console.say(f"{len(bus.sensors)} sensors are on the bus: that many basins, b1 first.")
    node = _asked(console, "Name of this node, such as room-3 (a-z, 0-9 and -):", node_name)
    host = _asked(console, "Name or address of the broker (the collector's machine):", _host_name)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_private(file, first_settings(node, host, bus.sensors, DATA_DIR), FOR_A_GROUP, OUR_GROUP)
    except OSError as error:
        raise SettingsError(file, f"it cannot be written ({error.strerror}). Run this with sudo.") from error
    load(file)


def _asked(console: Console, question: str, taken: Callable[[str], str]) -> str:
    while True:
        try:
            return taken(console.ask(question))
        except ValueError as error:
            console.say(str(error))


def _host_name(text: str) -> str:
    if not _HOST.fullmatch(text):
        raise ValueError("That is neither a name nor an address. Write it as in broker.example or 192.168.1.5.")
    return text
