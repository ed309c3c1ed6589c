"""What a machine needs besides the version itself: accounts, folders, settings. Pure: facts in, steps out."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from install.places import GPIO, GROUP, SETTINGS, USER, Part, Places
from install.steps import ROOTS, File, Folder, Own, Owned, Run, Step

EXAMPLE_LINE = "# EXAMPLE:"
"""Begins the line of a settings file that says that nobody has made it theirs."""

NEW = ".new"
"""Ends the name of an example that lies beside what a person wrote."""

_NAMES_LINE = 'names = ["soakledger.example"]'
_NODE_LINE = 'node = "room-3"'


class Machine(NamedTuple):
    """What was found.

    Attributes:
        parts: What the machine is, or is to be, for.
        users: Names of users that there are.
        groups: Names of groups that there are.
        settings: Settings files that there are, by name.
        examples: The new version's examples, by name.
        earlier: The installed version's examples, by name.
        names: Names under which browsers and nodes come to this machine.
        node: The node's name, by its enrolment; None where it has none yet.
        accounts: Users matter: this is no other root.
    """

    parts: tuple[Part, ...]
    users: frozenset[str]
    groups: frozenset[str]
    settings: Mapping[str, bytes]
    examples: Mapping[str, bytes]
    earlier: Mapping[str, bytes]
    names: tuple[str, ...]
    node: str | None
    accounts: bool


def plan(places: Places, machine: Machine) -> list[Step]:
    """Steps in order; done twice they change nothing."""
    accounts = _accounts(machine) if machine.accounts else ()
    return [*accounts, *_folders(places, machine), *_settings(places, machine)]


def _accounts(machine: Machine) -> Iterator[Step]:
    if USER not in machine.users:
        group = ("--gid", GROUP) if GROUP in machine.groups else ("--user-group",)
        home = ("--home-dir", "/var/lib/soakledger", "--no-create-home", "--shell", "/usr/sbin/nologin")
        yield Run(("useradd", "--system", *group, *home, USER), "Making the system user")
    if Part.NODE in machine.parts:
        if GPIO not in machine.groups:
            yield Run(("groupadd", "--system", GPIO), "Making the group of the pins")
        yield Run(("usermod", "--append", "--groups", GPIO, USER), "Letting the node use the pins")


def _folders(places: Places, machine: Machine) -> Iterator[Step]:
    yield Folder(places.opt, ROOTS)
    # Others may pass through, not look: the broker's own user must reach its key and passwords when it reads them anew.
    yield Folder(places.etc, Owned("root", GROUP, 0o751))
    yield Folder(places.var, ROOTS)
    own = Owned(USER, GROUP, 0o700)
    if Part.NODE in machine.parts:
        yield Folder(places.node_data, own)
    if Part.COLLECTOR in machine.parts:
        yield Folder(places.collector_data, own)
        yield Folder(places.backups, own)
        yield Folder(places.mosquitto / "conf.d", ROOTS)  # where the broker is not installed yet


def _settings(places: Places, machine: Machine) -> Iterator[Step]:
    """An example where there is none; beside what a person wrote where the example says something new."""
    owned = Owned("root", GROUP, 0o640)
    for part in machine.parts:
        for name in SETTINGS[part]:
            example = machine.examples[name]
            if name not in machine.settings:
                yield File(places.etc / name, named(example, machine), owned)
                continue
            yield Own(places.etc / name, owned)  # a copy that came on a stick has lost its own
            if name in machine.earlier and machine.earlier[name] != example:
                yield File(places.etc / f"{name}{NEW}", named(example, machine), owned)


def named(example: bytes, machine: Machine) -> bytes:
    """An example with the machine's own names where it has lines for them."""
    text = example.decode()
    if machine.names:
        text = text.replace(_NAMES_LINE, f"names = {json.dumps(machine.names)}")
    if machine.node is not None:
        text = text.replace(_NODE_LINE, f"node = {json.dumps(machine.node)}", 1)
    return text.encode()


def is_example(settings: bytes) -> bool:
    """Nobody has made these settings theirs."""
    return any(line.startswith(EXAMPLE_LINE.encode()) for line in settings.splitlines())


def broker_setup(places: Places, command: Path, names: tuple[str, ...]) -> Run:
    """Authority, certificates, passwords, access list and Mosquitto's configuration; what is there stays."""
    said = tuple(word for name in names for word in ("--name", name))
    argv = (str(command), "broker-setup", "--etc", str(places.etc), "--mosquitto", str(places.mosquitto), *said)
    return Run(argv, "Setting up the broker")


def look_at_data(places: Places, command: Path) -> Run:
    """Refuses data of a newer version."""
    argv = (str(command), "migrate", "--data", str(places.collector_data), "--state")
    return Run(argv, f"Looking at the data in {places.collector_data}", USER)


def join(places: Places, command: Path, enrolment: Path) -> Run:
    """The node's password, the authority, and where the broker is."""
    return Run((str(command), "join", str(enrolment), "--etc", str(places.etc)), "Joining with the enrolment file")


def checks(places: Places, command: Path, part: Part) -> Iterator[Run]:
    """Each settings file read by the version that is to use it, as its user."""
    data = ("--data", str(places.collector_data)) if part is Part.COLLECTOR else ()
    for name in SETTINGS[part]:
        file = places.etc / name
        argv = (
            str(command),
            file.stem,
            "--settings",
            str(file),
            *data,
            "--check",
        )  # named as the command that reads it
        yield Run(argv, f"Checking {file}", USER)
