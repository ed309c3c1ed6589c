"""The collector's data as an upgrade handles them: by the commands of one version or the other, as their own user."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from install.errors import InstallError
from install.hands import Hands, say
from install.journal import Journal
from install.places import DATABASE, USER, Places
from install.steps import Folder, Owned, Run

_ROOM = 3.2
"""So many times the size of the data must be free: the backup, the copy that migrating keeps beside them, and one more
if they have to be put back; each a little larger for its journal. Our own choice."""


class Data:
    """The data folder.

    Args:
        places: Where it is.
        hands: Runs the commands.
    """

    def __init__(self, places: Places, hands: Hands) -> None:
        self._places, self._hands = places, hands

    def migrate(self, version: str) -> None:
        """Bring them up to a version."""
        say("Bringing the data up to the new version")
        self._run(version, "migrate", "Bringing the data up to the new version")

    def verify(self, version: str) -> None:
        """Every record and page."""
        say("Verifying every record and page with the new version")
        self._run(version, "verify", "Verifying with the new version", "--quiet")

    def pending(self, version: str) -> bool:
        """Whether a version must change them.

        Raises:
            InstallError: They are a newer version's, or cannot be used.
        """
        return bool(self._state(version)["pending"])

    def taken_in(self, version: str) -> tuple[int, int]:
        """Numbers of readings and of people's records, to be compared with later ones."""
        state = self._state(version)
        return int(state["readings"]), int(state["declared"])

    def backup(self, version: str) -> str:
        """Taken and verified by the version that wrote the data."""
        before = self._backups()
        self._run(version, "backup", "Taking a backup", "--quiet", "--to", str(self._places.backups))
        made = sorted(self._backups() - before)
        if len(made) != 1:
            raise InstallError(f"No new backup is in {self._places.backups}, though none was refused.")
        return str(self._places.backups / made[0])

    def refuse_without_room(self) -> None:
        """Refuse what could not be taken back.

        Raises:
            InstallError: There is too little room for that.
        """
        kept = [path.stat().st_size for path in self._places.collector_data.rglob("*") if path.is_file()]
        wanted, free = int(sum(kept) * _ROOM), shutil.disk_usage(self._places.var).free
        if free < wanted:
            raise InstallError(
                f"{self._places.var} has {free // 2**20:,} MiB free, and an upgrade that can go back needs "
                f"{wanted // 2**20 + 1:,}. Nothing was changed. Make room there, then run this again."
            )

    def put_back(self, entry: Journal, aside: Path) -> None:
        """The changed data go aside, the backup takes their place; again and again until it is done.

        Raises:
            InstallError: The backup could not be put back; the changed data are in their place then, which the old
                version refuses to use, so that it cannot begin with nothing.
        """
        data, beside = self._places.collector_data, self._places.var / "putting-back"
        if not aside.exists():
            self._hands.rename(data, aside)
        if (data / DATABASE).exists():
            return
        say(f"Putting the backup {entry.backup} back")
        try:
            self._hands.remove_tree(beside)
            self._hands.folder(Folder(beside, Owned(USER, USER, 0o700)))
            target = beside / data.name
            restore = (str(self._places.soakledger(entry.old)), "restore", str(entry.backup), "--data", str(target))
            self._hands.run(Run((*restore, "--quiet"), "Putting the backup back", USER))
            if data.exists():
                data.rmdir()
            self._hands.rename(target, data)
            self._hands.remove_tree(beside)
        except (InstallError, OSError) as error:
            if not data.exists():
                self._hands.rename(aside, data)
            raise InstallError(
                f"The upgrade to {entry.new} did not succeed, and going back did not either: {error}\n"
                f"Nothing is lost: the data are in {data}, changed by {entry.new}; as they were before, in "
                f"{entry.backup}. Services are stopped, nodes keep their readings. Make room or mend the disk, then "
                "run this again: it goes on from here."
            ) from None

    def _state(self, version: str) -> dict[str, int]:
        """What the data are, as a version sees them.

        Raises:
            InstallError: It cannot use them.
        """
        said = self._run(version, "migrate", "Looking at the data with the new version", "--state")
        try:
            state: dict[str, int] = json.loads(said)
        except ValueError:
            raise InstallError(f"The new version does not say what the data are, but: {said[:200]}") from None
        return state

    def _run(self, version: str, verb: str, why: str, *more: str) -> str:
        argv = (str(self._places.soakledger(version)), verb, "--data", str(self._places.collector_data), *more)
        return self._hands.run(Run(argv, why, USER))

    def _backups(self) -> set[str]:
        """Finished ones."""
        kept = self._places.backups.iterdir()
        return {each.name for each in kept if each.is_dir() and not each.name.startswith((".", "does-not-hold"))}
