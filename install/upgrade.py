"""From one version to the next, whole or not at all, whatever fails and whenever the power goes.

The journal says what is being done before it is done. Whatever cuts it off, one rule decides what becomes of it:

    go back to the old version, unless something that came in since would be lost by it

Until the new version runs, nothing can come in: collector and pages are stopped, and nodes keep every reading until a
receipt covers it. While the new version is on trial, the broker of this machine is stopped, so no receipt goes out.
Only a collector whose broker is on another machine, or a person at the pages, can have brought something in by the end
of the trial; if the database was changed as well, so that the old version cannot read it, the new version stays and a
person decides. Where the database was not changed, the old version goes on with it as it is.

What a node holds is never touched here: its outbox outlives both versions.
"""

from __future__ import annotations

import datetime
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from install import health, versions
from install import journal as journals
from install.building import disk_words
from install.data import Data
from install.errors import ByHandError, InstallError, NotKeptError
from install.hands import Hands, say
from install.journal import Journal, Phase
from install.places import BROKER, Part, Places, started_of
from install.services import Services
from install.steps import ROOTS_FILE, File, Link

_BALLAST_BYTES = 2 * 2**20
"""Kept free for going back on a disk that the upgrade has filled: the journal, units and links. Our own choice."""

_CHANGED_BY = (Phase.MIGRATING, Phase.VERIFYING, Phase.TRIAL)


class Upgrade:
    """Upgrades, and what becomes of one that was cut off.

    Args:
        places: Where everything is.
        hands: Does it.
        services: systemd, or none.
    """

    def __init__(self, places: Places, hands: Hands, services: Services) -> None:
        self._places, self._hands, self._services = places, hands, services
        self._data = Data(places, hands)

    def run(self, old: str, new: str, parts: tuple[Part, ...], *, start: bool) -> None:
        """Go from `old` to `new`; both are whole.

        Args:
            old: The version that is installed.
            new: The version that is to be.
            parts: What the machine is for.
            start: Start the new version, and go back if it does not stay up.

        Raises:
            InstallError: It was not begun, for the reason it says: nothing was changed.
            NotKeptError: It failed; the old version is back, with everything as it was.
            ByHandError: It failed, and only a person can decide.
        """
        with_data = Part.COLLECTOR in parts and self._places.database.exists()
        migrates = False
        if with_data:
            migrates = self._data.pending(new)  # refuses data of a newer version, with everything running
            self._data.refuse_without_room()
        when = datetime.datetime.now(datetime.UTC).strftime("%Y%m%dT%H%M%SZ")
        units = (BROKER, *started_of(parts))
        running = self._services.running(units if Part.COLLECTOR in parts else started_of(parts))
        entry = Journal(when, old, new, parts, versions.parts_installed(self._places), running, migrates=migrates)
        with _undisturbed():
            self._hands.file(File(self._places.ballast, bytes(_BALLAST_BYTES), ROOTS_FILE))
            self._hands.link(Link(self._places.recovering, f"versions/{new}"))
            entry.write(self._places, self._hands)
            try:
                self._go(entry, with_data=with_data, start=start)
            except (InstallError, OSError) as error:
                entry.why = disk_words(error) if isinstance(error, OSError) else str(error)
                self._settle(entry, at_boot=False)
            else:
                self._finish()
                self._services.start([unit for unit in entry.running if unit == BROKER])

    def recover(self, *, at_boot: bool) -> bool:
        """Settle an upgrade that was cut off.

        Args:
            at_boot: Services that are being started wait for this, so it cannot wait for them.

        Returns:
            There was one.

        Raises:
            InstallError: It cannot be settled; what is so, and what to do.
        """
        entry = journals.read(self._places.journal)
        if entry is None:
            self._finish()  # what lies around it, where it was cut off at its very beginning or end
            return False
        say(f"The upgrade from {entry.old} to {entry.new} was cut off while {entry.phase}.")
        entry.why = entry.why or f"it was cut off while {entry.phase}"
        with _undisturbed():
            try:
                self._settle(entry, at_boot=at_boot)
            except (NotKeptError, ByHandError) as error:
                say(str(error))
        return True

    def _go(self, entry: Journal, *, with_data: bool, start: bool) -> None:
        if Part.COLLECTOR in entry.parts:
            self._services.stop((BROKER, *started_of((Part.COLLECTOR,))))
        if with_data:
            say("Taking a backup with the version that is installed")
            entry.backup = self._data.backup(entry.old)
            say(f"{entry.backup} was verified")
        self._enter(entry, Phase.SWITCHING)
        versions.put(self._places, self._hands, entry.new, entry.parts)
        self._services.reload()
        if with_data and entry.migrates:
            self._enter(entry, Phase.MIGRATING)
            self._data.migrate(entry.new)
        if with_data:
            self._enter(entry, Phase.VERIFYING)
            self._data.verify(entry.new)
            entry.taken_in = self._data.taken_in(entry.new)
        self._enter(entry, Phase.TRIAL)
        if start:
            self._try(entry)

    def _try(self, entry: Journal) -> None:
        """Start what ran before, without its broker, and see whether it stays up."""
        units = [unit for unit in entry.running if unit != BROKER]
        if not units:
            return
        say(f"Starting {', '.join(units)}")
        began_s = time.time()
        self._services.stop([unit for unit in units if unit in started_of((Part.NODE,))])  # it watched until now
        self._services.start(units)
        collector, status = started_of((Part.COLLECTOR,))[0] in units, self._places.status
        trouble = self._services.trouble(units, lambda: health.stores_nothing(status, began_s) if collector else "")
        trouble = trouble or (health.silent(status, began_s) if collector else "")
        if trouble:
            raise InstallError(trouble)

    def _settle(self, entry: Journal, *, at_boot: bool) -> None:
        """Go back, unless something would be lost by it.

        Raises:
            NotKeptError: The old version is back.
            ByHandError: The new version stays.
        """
        self._hands.remove(self._places.ballast)
        # At a boot nothing runs yet. Where only the installer was killed, any unit that is started asks for this too,
        # and the others may run the new version on the data.
        self._services.stop(self._services.up(started_of(entry.parts)) if at_boot else self._others(entry))
        if entry.phase != Phase.RETURNING:
            changed = entry.migrates and entry.phase in _CHANGED_BY
            if changed and self._has_taken_in(entry):
                self._stay(entry, at_boot=at_boot)
            if changed:
                entry.aside = str(self._places.var / f"collector.not-kept-{entry.when}")
            self._enter(entry, Phase.RETURNING)
        if entry.aside is not None:
            self._data.put_back(entry, Path(entry.aside))
        versions.put(self._places, self._hands, entry.old, entry.old_parts)
        self._services.reload()
        self._finish()
        kept = f" What the new version made of them is kept in {entry.aside} to be looked at." if entry.aside else ""
        problem = self._started(entry, at_boot=at_boot)
        raise NotKeptError(
            f"The upgrade to {entry.new} did not succeed: {entry.why}\n"
            f"{entry.old} is installed again, and the data are as they were.{kept}{problem}"
        )

    def _stay(self, entry: Journal, *, at_boot: bool) -> None:
        """Going back would lose what came in, so the new version stays."""
        versions.put(self._places, self._hands, entry.new, entry.parts)
        self._services.reload()
        self._finish()
        problem = self._started(entry, at_boot=at_boot)
        raise ByHandError(
            f"The upgrade to {entry.new} did not go well: {entry.why}\n"
            f"It stays installed: it has already taken in readings or records, and going back to {entry.old} would "
            f"lose them. Nothing is lost as it is: nodes keep what has no receipt.{problem}\n"
            f"Look at `journalctl -u soakledger-collector`, mend that and start it. The data as {entry.old} left them "
            f"are in {entry.backup}."
        )

    def _started(self, entry: Journal, *, at_boot: bool) -> str:
        """What ran before runs again; what keeps it from that, as a further line."""
        try:
            (self._services.start_soon if at_boot else self._services.start)(entry.running)
        except InstallError as error:
            return f"\n{error}"
        return ""

    def _has_taken_in(self, entry: Journal) -> bool:
        """Since the trial began; data that cannot be read may hold anything."""
        if entry.phase != Phase.TRIAL or entry.taken_in is None:
            return False
        try:
            return self._data.taken_in(entry.new) != entry.taken_in
        except InstallError:
            return True

    def _enter(self, entry: Journal, phase: Phase) -> None:
        entry.phase = phase
        entry.write(self._places, self._hands)

    def _finish(self) -> None:
        for path in (self._places.journal, self._places.recovering, self._places.ballast):
            self._hands.remove(path)

    def _others(self, entry: Journal) -> tuple[str, ...]:
        """Everything that may hold data or pins, and the broker."""
        broker = (BROKER,) if Part.COLLECTOR in entry.parts else ()
        return (*broker, *started_of(entry.parts))


@contextmanager
def _undisturbed() -> Iterator[None]:
    """A closed terminal, Ctrl-C or a polite end do not stop it half-way; a power cut may, and is recovered from."""

    def not_now(_number: int, _frame: FrameType | None) -> None:
        say("Not now: the upgrade is brought to an end or taken back first.")

    taken = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(each, not_now) for each in taken]
    try:
        yield
    finally:
        for each, handler in zip(taken, before, strict=True):
            signal.signal(each, handler)
