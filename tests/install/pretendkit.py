"""A machine whose commands are pretended in this process: every point at which an upgrade can be cut off, in seconds.

What is pretended are `soakledger`'s own commands on a database of one table; files, links, journal and the order of
things are real. Real commands are in `test_upgrade_real.py` and `campaign.py`.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from upgradekit import PARTS, ROOT, Clinic, Mortal

from install import versions
from install.building import WHOLE
from install.errors import InstallError
from install.hands import Hands
from install.places import DATABASE, Part, Places
from install.steps import Run

OLD, NEW = "1.0-0123456789ab", "2.0-0123456789ab"
HALF = 1_000
"""A schema that no version can use: a migration was cut off."""


class PowerCut(BaseException):
    """Ends everything, as a power cut does; nothing that upgrades may catch it, or change anything because of it."""


class Pretending(Mortal):
    """Also dies in the middle of a command; in this process, for thousands of others would take long to start.

    Args:
        left: How many deeds it does; -1 has no end.
        schemas: The schema of each version.
    """

    def __init__(self, left: int, schemas: Mapping[str, int]) -> None:
        super().__init__(left)
        self.schemas = schemas
        self.refuses: set[str] = set()
        self.made = 0

    def end(self) -> None:
        raise PowerCut

    def run(self, step: Run, *_arguments: object, **_named: object) -> str:
        program, verb, *arguments = step.argv
        self._deed(lambda: None)
        version = Path(program).parent.parent.parent.name
        if f"{version} {verb}" in self.refuses:
            raise InstallError(f"{step.why} failed: pretended")
        options = dict(zip(arguments[::2], arguments[1::2], strict=False))
        if verb == "restore":
            return self._restore(Path(arguments[0]), Path(arguments[2]), version)
        data = Path(options["--data"])
        if "--state" in arguments:
            return self._state(data, version)
        if verb == "backup":
            return self._backup(data, Path(arguments[arguments.index("--to") + 1]), version)
        if verb == "migrate":
            return self._migrate(data, version)
        assert verb == "verify"
        self._refuse_other(data, version)
        return "hold"

    def _state(self, data: Path, version: str) -> str:
        schema, readings = look(data)
        if schema > self.schemas[version]:
            raise InstallError(f"Looking failed: written by a newer version ({schema})")
        return json.dumps({"pending": ["x"] * (schema < self.schemas[version]), "readings": readings, "declared": 0})

    def _backup(self, data: Path, folder: Path, version: str) -> str:
        self._refuse_other(data, version)
        number = len(list(folder.iterdir()))
        unfinished = folder / f".unfinished-{number}"
        shutil.copytree(data, unfinished)
        self._deed(unfinished.rename, folder / f"backup-{number}")
        return ""

    def _migrate(self, data: Path, version: str) -> str:
        self._set(data, HALF)
        self._deed(self._set, data, self.schemas[version])
        return ""

    def _restore(self, backup: Path, target: Path, version: str) -> str:
        shutil.copytree(backup, target.with_name(".restoring"))
        self._refuse_other(target.with_name(".restoring"), version)
        self._deed(target.with_name(".restoring").rename, target)
        return ""

    def _set(self, data: Path, schema: int) -> None:
        with closing(sqlite3.connect(data / DATABASE)) as database, database:
            database.execute("UPDATE kept SET schema = ?", (schema,))

    def _refuse_other(self, data: Path, version: str) -> None:
        if (schema := look(data)[0]) != self.schemas[version]:
            raise InstallError(f"The data are of schema {schema}")


def look(data: Path) -> tuple[int, int]:
    """Schema and number of readings."""
    with closing(sqlite3.connect(data / DATABASE)) as database:
        schema, readings = database.execute("SELECT schema, readings FROM kept").fetchone()
    return int(schema), int(readings)


def take_in(data: Path, readings: int) -> None:
    """Readings arrive."""
    with closing(sqlite3.connect(data / DATABASE)) as database, database:
        database.execute("UPDATE kept SET readings = readings + ?", (readings,))


class PretendedClinic(Clinic):
    """The same machine, of pretended commands."""

    def __init__(self, folder: Path, *, migrates: bool = True, parts: tuple[Part, ...] = PARTS) -> None:
        self.places, self.parts, self.old, self.new = Places(folder), parts, OLD, NEW
        self.schemas = {OLD: 1, NEW: 2 if migrates else 1}
        self.hands: Hands = Pretending(-1, self.schemas)
        for name in (OLD, NEW):
            target = self.places.version(name)
            for kind in ("units", "udev"):
                shutil.copytree(ROOT / "install" / kind, target / "install" / kind)
            for unit in (target / "install/units").iterdir():
                unit.write_text(f"# of {name}\n{unit.read_text()}")
            (target / WHOLE).write_text(json.dumps({"version": name, "parts": parts}))
        self.places.backups.mkdir(parents=True)
        self.places.collector_data.mkdir(parents=True)
        if Part.COLLECTOR in parts:
            with closing(sqlite3.connect(self.places.database)) as database, database:
                database.execute("CREATE TABLE kept (schema INTEGER, readings INTEGER)")
                database.execute("INSERT INTO kept VALUES (1, 723)")
        versions.put(self.places, self.hands, OLD, parts)

    def stands(self) -> str:
        """The version that the machine has, whole: link, units and data agree. Fails where they do not."""
        name = self.places.current_name()
        assert name in (OLD, NEW)
        units = {path.read_text().splitlines()[0] for path in self.places.units.glob("soakledger-*")}
        assert units == {f"# of {name}"}
        if Part.COLLECTOR in self.parts:
            schema, readings = look(self.places.collector_data)
            assert schema == self.schemas[name]
            assert readings >= 723
        assert not self.places.journal.exists()
        return name
