"""How far an upgrade has come: one small file, on the disk before the step that it names begins.

A machine that finds it at its start, or at the next `./run install`, was cut off in the middle; see `upgrade.py`.
"""

from __future__ import annotations

import enum
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from install.errors import InstallError
from install.hands import Hands
from install.places import Part, Places
from install.steps import ROOTS_FILE, File


class Phase(enum.StrEnum):
    """What is being done; each changes what the next one needs."""

    STOPPING = "stopping"
    """Services are stopped, a backup is taken by the old version. Nothing else has changed."""
    SWITCHING = "switching"
    """`current`, units and udev rules become the new version's."""
    MIGRATING = "migrating"
    """The new version changes the database. Only from here on it may differ from the backup."""
    VERIFYING = "verifying"
    """The new version checks every record and page."""
    TRIAL = "trying"
    """The new version runs while its broker is stopped: no node can let go of anything yet."""
    RETURNING = "returning"
    """Everything becomes the old version's again."""


@dataclass
class Journal:
    """An upgrade that has begun.

    Attributes:
        when: When it began, in letters that may be part of a file's name.
        old: The version that was installed.
        new: The version that is to be.
        parts: What the machine is to be for.
        old_parts: What it was for.
        running: Units that ran before, to be started again in this order.
        phase: What is being done.
        backup: Folder of the backup that the old version took; None where there are no data.
        migrates: The new version must change the database.
        taken_in: Readings and people's records before the new version started, to be compared with later.
        aside: While going back: where the changed data go; None where the data stay.
        why: While going back: what failed.
    """

    when: str
    old: str
    new: str
    parts: tuple[Part, ...]
    old_parts: tuple[Part, ...]
    running: tuple[str, ...]
    phase: Phase = Phase.STOPPING
    backup: str | None = None
    migrates: bool = False
    taken_in: tuple[int, int] | None = None
    aside: str | None = None
    why: str = ""

    def encoded(self) -> bytes:
        """As it is kept."""
        return (json.dumps(asdict(self), indent=1) + "\n").encode()

    def write(self, places: Places, hands: Hands) -> None:
        """Onto the disk."""
        hands.file(File(places.journal, self.encoded(), ROOTS_FILE))


def read(path: Path) -> Journal | None:
    """The upgrade that was cut off; None if there is none.

    Raises:
        InstallError: It cannot be understood.
    """
    try:
        told = json.loads(path.read_text("utf-8"))
        for key in ("parts", "old_parts"):
            told[key] = tuple(Part(each) for each in told[key])
        told["running"], told["phase"] = tuple(told["running"]), Phase(told["phase"])
        told["taken_in"] = tuple(told["taken_in"]) if told["taken_in"] else None
        return Journal(**told)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InstallError(
            f"{path}, which says how far an upgrade came, cannot be used ({error}). Nothing was changed. Look where "
            f"{path.parent / 'current'} leads, and run `soakledger verify` on the data; if both are as they should be, "
            "delete the file and run this again."
        ) from None
