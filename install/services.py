"""systemd, or the lack of it."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from install.errors import InstallError
from install.hands import Hands, say
from install.places import Places
from install.steps import Run

_ACTIVE = "active"


class Services(Protocol):
    """What the installer asks of services."""

    can_start: bool
    """Something runs units here."""

    def running(self, units: Sequence[str]) -> tuple[str, ...]:
        """Those of them that run, or that systemd tries to start again and again."""

    def up(self, units: Sequence[str]) -> tuple[str, ...]:
        """Those of them that run."""

    def at_boot(self, unit: str) -> bool:
        """Whether it is started at every boot."""

    def stop(self, units: Sequence[str]) -> None:
        """Stop them, the last first; wait for their end."""

    def start(self, units: Sequence[str]) -> None:
        """Start them in order; wait until each says that it is ready."""

    def start_soon(self, units: Sequence[str]) -> None:
        """Have them started, without waiting: they wait for whoever asks for it."""

    def trouble(self, units: Sequence[str], also: Callable[[], str] = lambda: "") -> str:
        """What is wrong with units that were just started; empty when they stay up.

        Args:
            units: Those units.
            also: Asked meanwhile: what else is wrong; empty when nothing is.
        """

    def reload(self) -> None:
        """Unit files and udev rules have changed."""

    def enable(self, units: Sequence[str]) -> None:
        """Start them at every boot."""

    def disable(self, units: Sequence[str]) -> None:
        """No more."""


def here(places: Places) -> bool:
    """Whether systemd runs this machine."""
    return places.earnest and Path("/run/systemd/system").is_dir()


class NoSystemd:
    """A machine, image or chroot that systemd does not run: nothing starts, but units can be made ready."""

    can_start = False

    def __init__(self, places: Places, hands: Hands) -> None:
        self._places, self._hands, self._told = places, hands, False

    def running(self, units: Sequence[str]) -> tuple[str, ...]:  # noqa: ARG002
        """None."""
        return ()

    def up(self, units: Sequence[str]) -> tuple[str, ...]:  # noqa: ARG002
        """None."""
        return ()

    def at_boot(self, unit: str) -> bool:  # noqa: ARG002
        """Nobody knows."""
        return False

    def stop(self, units: Sequence[str]) -> None:
        """Nothing runs."""

    def start(self, units: Sequence[str]) -> None:
        """Nothing can."""

    def start_soon(self, units: Sequence[str]) -> None:
        """Nothing can."""

    def trouble(self, units: Sequence[str], also: Callable[[], str] = lambda: "") -> str:  # noqa: ARG002
        """Nothing was started."""
        return ""

    def reload(self) -> None:
        """Nobody has read them."""

    def enable(self, units: Sequence[str]) -> None:
        """By links, as systemctl does it for a root elsewhere."""
        self._systemctl("enable", units)

    def disable(self, units: Sequence[str]) -> None:
        """Likewise."""
        self._systemctl("disable", units)

    def _systemctl(self, verb: str, units: Sequence[str]) -> None:
        if shutil.which("systemctl") is None:
            if not self._told:
                say("There is no systemd here: units lie ready in /etc/systemd/system, and nothing starts them.")
            self._told = True
            return
        root = () if self._places.earnest else (f"--root={self._places.root}",)
        self._hands.run(Run(("systemctl", *root, "--quiet", verb, *units), f"systemctl {verb}"))


class Systemd:
    """The machine's own.

    Args:
        hands: What runs systemctl.
        watched_s: How long units that were just started must stay up.
        sleep: Waits.
    """

    can_start = True

    def __init__(self, hands: Hands, watched_s: int = 15, sleep: Callable[[float], None] = time.sleep) -> None:
        self._hands, self._watched_s, self._sleep = hands, watched_s, sleep

    def running(self, units: Sequence[str]) -> tuple[str, ...]:
        """Active, or about to be."""
        return tuple(unit for unit in units if self._state(unit) in (_ACTIVE, "activating", "reloading"))

    def up(self, units: Sequence[str]) -> tuple[str, ...]:
        """Active. One that fails and is started again after a pause is "activating" meanwhile."""
        return tuple(unit for unit in units if self._state(unit) == _ACTIVE)

    def at_boot(self, unit: str) -> bool:
        """As systemctl knows it."""
        asked = Run(("systemctl", "is-enabled", unit), f"Looking at {unit}")
        return self._hands.run(asked, ok=(0, 1, 4)).strip() == "enabled"

    def stop(self, units: Sequence[str]) -> None:
        """The last first."""
        for unit in reversed(units):
            self._hands.run(Run(("systemctl", "stop", unit), f"Stopping {unit}"), ok=(0, 5))  # 5: there is none

    def start(self, units: Sequence[str]) -> None:
        """In order; a unit of Type=notify has started once it says so."""
        for unit in units:
            with suppress(InstallError):  # none has failed yet
                self._hands.run(Run(("systemctl", "reset-failed", unit), unit))
            try:
                self._hands.run(Run(("systemctl", "start", unit), f"Starting {unit}"))
            except InstallError:
                raise InstallError(f"{unit} does not start. Its journal ends with:\n{self._journal(unit)}") from None

    def start_soon(self, units: Sequence[str]) -> None:
        """Jobs of systemd, which go on by themselves."""
        for unit in units:
            self._hands.run(Run(("systemctl", "--no-block", "start", unit), f"Starting {unit}"))

    def trouble(self, units: Sequence[str], also: Callable[[], str] = lambda: "") -> str:
        """Up, and without a restart, for some seconds."""
        before = [self._restarts(unit) for unit in units]
        for _ in range(self._watched_s):
            self._sleep(1)
            if found := also():
                return found
            for unit, times in zip(units, before, strict=True):
                if (state := self._state(unit)) != _ACTIVE or self._restarts(unit) != times:
                    return f"{unit} did not stay up (it is {state}). `journalctl -u {unit}` says why."
        return ""

    def reload(self) -> None:
        """Both."""
        self._hands.run(Run(("systemctl", "daemon-reload"), "systemctl daemon-reload"))
        if shutil.which("udevadm"):
            with suppress(InstallError):  # a container has no devices of its own
                self._hands.run(Run(("udevadm", "control", "--reload"), "udevadm"))
                self._hands.run(
                    Run(
                        ("udevadm", "trigger", "--action=add", "--subsystem-match=gpio", "--subsystem-match=w1"),
                        "udevadm",
                    )
                )

    def enable(self, units: Sequence[str]) -> None:
        """By systemctl."""
        self._hands.run(Run(("systemctl", "--quiet", "enable", *units), "systemctl enable"))

    def disable(self, units: Sequence[str]) -> None:
        """By systemctl."""
        self._hands.run(Run(("systemctl", "--quiet", "disable", *units), "systemctl disable"), ok=(0, 1))

    def _journal(self, unit: str) -> str:
        argv = ("journalctl", "--unit", unit, "--lines=4", "--output=cat", "--no-pager")
        try:
            return self._hands.run(Run(argv, "Reading the journal")).strip()
        except InstallError as error:
            return str(error)

    def _state(self, unit: str) -> str:
        return self._hands.run(Run(("systemctl", "is-active", unit), f"Looking at {unit}"), ok=(0, 1, 3, 4)).strip()

    def _restarts(self, unit: str) -> str:
        return self._hands.run(Run(("systemctl", "show", "--property=NRestarts", unit), f"Looking at {unit}")).strip()
