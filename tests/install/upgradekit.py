"""Two real versions below a folder, real data, and hands that can be cut off before or after anything they do."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from install import source, versions
from install.building import Builder
from install.hands import Hands
from install.places import BROKER, Part, Places, started_of
from install.services import NoSystemd
from install.steps import Run
from install.upgrade import Upgrade

ROOT = Path(__file__).parent.parent.parent
PARTS = (Part.COLLECTOR,)
MIGRATION = '''

@migrations()
def m9001_of_a_test(db: Database) -> None:
    """Something that the version before cannot know."""
    db.execute("CREATE TABLE of_a_test (id INTEGER PRIMARY KEY) STRICT")
    db.execute("ALTER TABLE node RENAME COLUMN heard_ms TO heard_later_ms")
'''


class Clinic:
    """A folder that stands for a machine: an old version installed, a newer one built, data of the old one.

    Args:
        folder: Where.
        changed: Makes the newer version's files from the old one's.
        parts: What the machine is for.
    """

    def __init__(self, folder: Path, changed: Callable[[Path], None], parts: tuple[Part, ...] = PARTS) -> None:
        self.places, self.hands, self.parts = Places(folder / "root"), Hands(accounts=False), parts
        self.old = self._built(folder / "old", lambda _: None)
        versions.put(self.places, self.hands, self.old, parts)
        make_data(self.places)
        self.new = self._built(folder / "new", changed)

    def _built(self, checkout: Path, change: Callable[[Path], None]) -> str:
        source.copy(ROOT, checkout)
        change(checkout)
        return Builder(self.places, self.hands, checkout, lean_python(checkout.parent)).build(self.parts).name

    def copied(self, folder: Path) -> Clinic:
        """The same machine again, in another folder."""
        twin = object.__new__(Clinic)
        shutil.copytree(self.places.root, folder, symlinks=True)
        for script in folder.glob("opt/soakledger/versions/*/venv/bin/soakledger"):
            script.write_text(script.read_text().replace(str(self.places.root), str(folder)))
        twin.places, twin.hands, twin.parts = Places(folder), self.hands, self.parts
        twin.old, twin.new = self.old, self.new
        return twin

    def upgrade(self, hands: Hands | None = None, services: Any = None, *, start: bool = True) -> None:
        """From the old to the new version."""
        hands = hands or self.hands
        services = services or NoSystemd(self.places, hands)
        Upgrade(self.places, hands, services).run(self.old, self.new, self.parts, start=start)

    def recover(self, services: Any = None, *, at_boot: bool = True) -> bool:
        """As at the next boot."""
        return Upgrade(self.places, self.hands, services or NoSystemd(self.places, self.hands)).recover(at_boot=at_boot)

    def soakledger(self, *arguments: str) -> str:
        """The command of whatever is current."""
        return self.hands.run(Run((str(self.places.command), *arguments), "soakledger"))

    def holds(self) -> str:
        """That everything is whole, by the version that is current; its last line."""
        return self.soakledger("verify", "--quiet", "--data", str(self.places.collector_data)).strip()

    def changed(self) -> bool:
        """Whether the newer version's migration has been made."""
        with closing(sqlite3.connect(self.places.database)) as database:
            return bool(database.execute("SELECT 1 FROM sqlite_master WHERE name = 'of_a_test'").fetchall())

    def heads(self) -> list[str]:
        """The hash of every record."""
        with closing(sqlite3.connect(self.places.database)) as database:
            return [row[0] for row in database.execute("SELECT hash FROM ledger ORDER BY number")]


def lean_python(folder: Path) -> str:
    """This Python with its packages, but without pandas, as the other tests start it."""
    path = folder / "lean-python"
    if not path.exists():
        lean = ROOT / "tests/lean"
        path.write_text(f'#!/bin/sh\nPYTHONPATH="$PYTHONPATH:{lean}" exec {sys.executable} "$@"\n')
        path.chmod(0o755)
    return str(path)


def with_migration(checkout: Path) -> None:
    """A version that changes the database."""
    schema = checkout / "collector/schema.py"
    schema.write_text(schema.read_text() + MIGRATION)


def without_migration(checkout: Path) -> None:
    """A version that does not."""
    with (checkout / "README.md").open("a") as file:
        file.write("\nA later one.\n")


def make_data(places: Places) -> None:
    """A small ledger with readings, as an earlier release left it, brought up to the old version."""
    places.collector_data.mkdir(parents=True)
    places.backups.mkdir()
    with closing(sqlite3.connect(places.database)) as database:
        database.executescript((ROOT / "tests/databases/0003.sql").read_text())
    command = (str(places.command), "migrate", "--data", str(places.collector_data))
    subprocess.run(command, check=True, capture_output=True)


class Pretended(NoSystemd):
    """Services that are only written down; a test says what runs, fails or happens while they run."""

    can_start = True

    def __init__(self, clinic: Clinic, fails: str = "", meanwhile: Callable[[], None] = lambda: None) -> None:
        super().__init__(clinic.places, clinic.hands)
        self.runs = set(self.at_first(clinic))
        self.falls: set[str] = set()
        self.fails, self._meanwhile, self._status = fails, meanwhile, clinic.places.status
        self.said: list[str] = []

    @staticmethod
    def at_first(clinic: Clinic) -> tuple[str, ...]:
        """All that runs on such a machine."""
        return (BROKER, *started_of(clinic.parts))

    def running(self, units: Sequence[str]) -> tuple[str, ...]:
        return tuple(unit for unit in units if unit in self.runs)

    def up(self, units: Sequence[str]) -> tuple[str, ...]:
        return tuple(unit for unit in self.running(units) if unit not in self.falls)

    def at_boot(self, unit: str) -> bool:
        return unit == BROKER

    def stop(self, units: Sequence[str]) -> None:
        self.runs -= set(units)
        self.said += [f"stop {unit}" for unit in units]

    def start(self, units: Sequence[str]) -> None:
        self.runs |= set(units)
        self.said += [f"start {unit}" for unit in units]
        self._status.write_text("I am well")

    def start_soon(self, units: Sequence[str]) -> None:
        self.said += [f"start soon {unit}" for unit in units]

    def trouble(self, units: Sequence[str], also: Callable[[], str] = lambda: "") -> str:  # noqa: ARG002
        self._meanwhile()
        failing, self.fails = self.fails, ""
        return failing or also()

    def enable(self, units: Sequence[str]) -> None:
        self.said += [f"enable {unit}" for unit in units]

    def disable(self, units: Sequence[str]) -> None:
        self.said += [f"disable {unit}" for unit in units]


class Mortal(Hands):
    """Killed like a process whose power goes: before or after its nth deed.

    Args:
        left: How many deeds it does.
    """

    def __init__(self, left: int) -> None:
        super().__init__(accounts=False)
        self._left = left

    def end(self) -> None:
        """The end of the process."""
        os.kill(os.getpid(), signal.SIGKILL)

    def _deed(self, do: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        if self._left == 0:
            self.end()
        self._left -= 1
        return do(*arguments, **named)

    def folder(self, step: Any) -> None:
        self._deed(super().folder, step)

    def file(self, step: Any) -> None:
        self._deed(super().file, step)

    def link(self, step: Any) -> None:
        self._deed(super().link, step)

    def rename(self, path: Path, to: Path) -> None:
        self._deed(super().rename, path, to)

    def remove(self, path: Path) -> None:
        self._deed(super().remove, path)

    def remove_tree(self, path: Path) -> None:
        self._deed(super().remove_tree, path)

    def run(self, step: Run, *arguments: Any, **named: Any) -> str:
        return str(self._deed(super().run, step, *arguments, **named))


def killed_after(deeds: int, act: Callable[[Any], None], hands: Callable[[int], Mortal] = Mortal) -> bool:
    """Let a process of its own act and be killed after so many deeds; False if it came to its end before."""
    child = os.fork()
    if child == 0:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        try:
            act(hands(deeds))
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)
