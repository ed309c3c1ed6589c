"""Installs a part, or brings it up to this version: builds beside, makes the machine ready, switches, starts."""

from __future__ import annotations

import grp
import json
import pwd
import socket
import tomllib
from pathlib import Path
from typing import NamedTuple

from install import building, versions
from install.building import Builder
from install.errors import InstallError
from install.hands import Hands, say
from install.places import BROKER, RECOVER, SETTINGS, STARTED, Part, Places, started_of
from install.plan import NEW, Machine, broker_setup, checks, is_example, join, look_at_data, plan
from install.services import Services
from install.steps import File, Run
from install.upgrade import Upgrade
from install.words import Outcome, next_steps


class Order(NamedTuple):
    """What was asked for.

    Attributes:
        part: What the machine is to be for, besides what it is.
        names: Names of this machine for browsers and nodes; none: as last time, or its host name.
        enrolment: The file that a node joins with; None: it has joined, or joins later.
        start: Start what can be started.
    """

    part: Part
    names: tuple[str, ...]
    enrolment: Path | None
    start: bool


class Installing:
    """Installs.

    Args:
        places: Where.
        hands: Does it.
        services: systemd, or none.
        builder: Builds versions.
    """

    def __init__(self, places: Places, hands: Hands, services: Services, builder: Builder) -> None:
        self._places, self._hands, self._services, self._builder = places, hands, services, builder
        self._upgrade = Upgrade(places, hands, services)

    def install(self, order: Order) -> None:
        """Do it, as an upgrade where something is installed.

        Raises:
            InstallError: It was not done; what is installed is as it was unless the text says otherwise.
        """
        self._upgrade.recover(at_boot=False)
        order = self._with_names(order)
        parts = self._parts(order.part)
        name = self._builder.name(parts)
        old = building.current(self._places)
        steps = plan(self._places, self._machine(parts, order))  # an enrolment file that is none is said before minutes
        building.clear(self._places, self._hands, tuple(each for each in (name, old.name if old else None) if each))
        built = self._builder.build(parts)
        examples = tuple(str(each.path) for each in steps if isinstance(each, File) and each.path.suffix == NEW)
        first_start = Part.COLLECTOR in parts and not self._places.database.exists()
        self._hands.do(steps)
        self._connect(built.name, order)
        waiting = self._check(built.name, parts)
        if old is None or old.name == built.name:
            versions.put(self._places, self._hands, built.name, parts)
            self._services.reload()
        else:
            self._upgrade.run(old.name, built.name, parts, start=order.start)
        kept = (built.name, old.name if old else built.name)
        building.clear(self._places, self._hands, kept)
        say(f"{built.name} is installed: {', '.join(parts)}.")
        outcome = self._start(parts, waiting, order)._replace(first_start=first_start, examples=examples)
        for line in next_steps(outcome):
            say(line)

    def say_plan(self, order: Order) -> None:
        """What `install` would do."""
        order = self._with_names(order)
        parts = self._parts(order.part)
        name, old = self._builder.name(parts), building.current(self._places)
        print(f"build    {self._places.version(name)}  with {', '.join(parts)}, unless it is there")
        for step in plan(self._places, self._machine(parts, order)):
            print(step)
        command = self._places.soakledger(name)
        if order.part is Part.COLLECTOR:
            print(broker_setup(self._places, command, order.names))
        if order.enrolment:
            print(join(self._places, command, order.enrolment))
        for part in parts:
            for each in checks(self._places, command, part):
                print(each)
        if old and old.name != name:
            print(
                f"upgrade  from {old.name}: stop, backup, switch, migrate, verify, start, look; back if any of it fails"
            )
        print(f"link     {self._places.current} -> versions/{name}, units and rules from its folder")
        print(f"start    {', '.join((RECOVER, *started_of(parts)))}, at every boot")

    def _with_names(self, order: Order) -> Order:
        """The broker's setting up remembers them: nodes and browsers know the machine by them."""
        if order.names:
            return order
        try:
            known = json.loads((self._places.etc / "broker/setup.json").read_text("utf-8"))["names"]
            return order._replace(names=tuple(str(name) for name in known))
        except (OSError, ValueError, KeyError, TypeError):
            return order._replace(names=tuple(dict.fromkeys((socket.gethostname(), socket.getfqdn()))))

    def _parts(self, asked: Part) -> tuple[Part, ...]:
        installed = versions.parts_installed(self._places)
        return tuple(part for part in Part if part is asked or part in installed)

    def _machine(self, parts: tuple[Part, ...], order: Order) -> Machine:
        files = [name for part in parts for name in SETTINGS[part]]
        old = building.current(self._places)
        earlier = self._places.version(old.name) / "install/examples" if old else None
        return Machine(
            parts,
            users=frozenset(each.pw_name for each in pwd.getpwall()),
            groups=frozenset(each.gr_name for each in grp.getgrall()),
            settings=_read(self._places.etc, files),
            examples=_read(self._builder.source / "install/examples", files),
            earlier=_read(earlier, files) if earlier else {},
            names=order.names,
            node=_enrolled(order.enrolment),
            accounts=self._places.earnest,
        )

    def _connect(self, name: str, order: Order) -> None:
        """The broker on a collector's machine; a node's way to it."""
        command = self._places.soakledger(name)
        if order.part is Part.COLLECTOR:
            conf = self._places.mosquitto / "conf.d/soakledger.conf"
            before = conf.read_bytes() if conf.is_file() else b""
            self._hands.run(broker_setup(self._places, command, order.names))
            if conf.is_file() and conf.read_bytes() != before:
                self._services.stop([BROKER])
                self._services.enable([BROKER])
                self._services.start([BROKER])
        if order.enrolment:
            said = self._hands.run(join(self._places, command, order.enrolment)).strip().splitlines()
            # What is next is a restart, where the node runs with an earlier login; else what is said at the end.
            say("\n".join(said if self._services.running(STARTED[Part.NODE]) else said[:1]))

    def _check(self, name: str, parts: tuple[Part, ...]) -> dict[Part, Path]:
        """Settings that are wrong, or newer data, stop an installation before it changes what runs.

        Returns:
            The parts whose settings are still the example, with the file.
        """
        if Part.COLLECTOR in parts and self._places.database.exists():
            self._try(look_at_data(self._places, self._places.soakledger(name)), "Nothing was switched or started.")
        waiting = {}
        for part in parts:
            file = self._places.etc / SETTINGS[part][0]
            if is_example(file.read_bytes()):
                waiting[part] = file
                continue
            for each in checks(self._places, self._places.soakledger(name), part):
                self._try(each, "Nothing was switched or started. Mend that file, then run this again.")
        return waiting

    def _try(self, step: Run, advice: str) -> None:
        try:
            self._hands.run(step)
        except InstallError as error:
            raise InstallError(f"{error}\n{advice}") from None

    def _start(self, parts: tuple[Part, ...], waiting: dict[Part, Path], order: Order) -> Outcome:
        self._services.enable([RECOVER])
        ready = tuple(part for part in parts if part not in waiting)
        units = [unit for part in ready for unit in STARTED[part]]
        if units:
            self._services.enable(units)
        if Part.COLLECTOR in ready and order.start and self._services.at_boot(BROKER):
            units.insert(0, BROKER)  # an upgrade whose process was killed may have left it stopped
        if units and order.start:
            up = self._services.up(units)
            begun = [unit for unit in units if unit not in up]
            self._services.start(begun)
            if begun and (trouble := self._services.trouble(begun)):
                raise InstallError(f"{trouble} It is installed; mend that, then: systemctl restart {' '.join(units)}")
        return Outcome(
            ready,
            {part: str(file) for part, file in waiting.items()},
            started=bool(units) and order.start and self._services.can_start,
            can_start=self._services.can_start,
            joined=(self._places.etc / "node.password").is_file(),
            names=order.names,
            unknown_names=self._unknown(order.names) if order.part is Part.COLLECTOR else (),
        )

    def _unknown(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Names that dashboard.toml, which a person may have written, does not hold."""
        text = (self._places.etc / "dashboard.toml").read_text("utf-8")
        return tuple(name for name in names if f'"{name}"' not in text)


def _read(folder: Path, names: list[str]) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in names if (folder / name).is_file()}


def _enrolled(file: Path | None) -> str | None:
    """The name in an enrolment file; whether it can be used is told by `soakledger join`."""
    if file is None:
        return None
    try:
        name = tomllib.loads(file.read_text("utf-8")).get("node")
    except (OSError, ValueError) as error:
        raise InstallError(
            f"{file} is no enrolment file ({error}). Nothing was changed. Name the file that `enrol` made."
        ) from None
    return name if isinstance(name, str) else None
